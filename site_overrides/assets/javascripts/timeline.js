/* Days from an injection to surgery: one cell a day, the window as a bar, the theatre date as a pin.
 * definition.roles: {injected, opens, closes, theatre}, each a date; the window includes both its ends.
 * Optional: list, the first theatre list inside the window, and next_list, the next one after the theatre date. */
(function () {
  'use strict';

  const drawings = window.calculatorDrawings = window.calculatorDrawings || {};
  const CELL = 26; // px, height of the row of days
  const BREAK = 54; // px kept for a date too far away to draw to scale

  function count(days) {
    return days + (days === 1 ? ' day' : ' days');
  }

  /** Where the theatre date lies, in words. */
  function standing(days) {
    if (days.theatre < days.injected) return {inside: false, words: count(days.injected - days.theatre) + ' before the injection'};
    if (days.theatre < days.opens) return {inside: false, words: count(days.opens - days.theatre) + ' before the window opens'};
    if (days.theatre > days.closes) return {inside: false, words: count(days.theatre - days.closes) + ' after the window closes'};
    return {inside: true, words: 'inside the window'};
  }

  function dayNumber(number) {
    return 'day ' + (number < 0 ? '\u2212' : '') + Math.abs(number);
  }

  /** Rows and sides for the date labels under the bar, so that no label meets another or a leader line: the best of all ways. */
  function arrange(labels, width) {
    const options = labels.map(function (label) {
      const ways = [];
      for (let row = 0; row < labels.length; row += 1) {
        ['start', 'end', 'middle'].forEach(function (anchor) {
          const size = label.size;
          let cost = row * 3 + (anchor === 'middle' ? 0 : 1);
          let left = anchor === 'start' ? label.x - 6 : anchor === 'end' ? label.x + 6 - size : label.x - size / 2;
          if (left < 0 || left + size > width) {
            if (anchor !== 'middle') cost += 1000;
            left = Math.max(0, Math.min(width - size, left));
          }
          ways.push({row: row, left: left, right: left + size, x: label.x, cost: cost});
        });
      }
      return ways.sort(function (one, other) { return one.cost - other.cost; });
    });
    const crosses = function (lower, upper) { return lower.row > upper.row && lower.x > upper.left - 4 && lower.x < upper.right + 4 ? 200 : 0; };
    let best = null;
    let least = Infinity;
    const place = function (set, cost) {
      if (cost >= least) return;
      if (set.length === labels.length) {
        least = cost;
        best = set;
        return;
      }
      options[set.length].forEach(function (way) {
        const clash = set.reduce(function (sum, other) {
          const meets = way.row === other.row && way.left < other.right + 10 && other.left < way.right + 10;
          return sum + (meets ? 500 : 0) + crosses(way, other) + crosses(other, way);
        }, 0);
        place(set.concat([way]), cost + way.cost + clash);
      });
    };
    place([], 0);
    return best;
  }

  drawings.timeline = function (pen, state, width) {
    const tools = drawings.helpers;
    const days = {};
    ['injected', 'opens', 'closes', 'theatre'].forEach(function (role) {
      days[role] = Math.floor(tools.number(state, role));
    });
    if (days.closes < days.opens) throw new Error('the window closes before it opens');
    const place = standing(days);
    const lists = [{role: 'list', words: 'first list'}, {role: 'next_list', words: 'next list'}].filter(function (each) {
      if (!tools.has(state, each.role) || state.withheld[state.nameOf(each.role)]) return false;
      each.day = Math.floor(state.role(each.role));
      return true;
    });
    const since = function (day) { return day - days.injected; };

    // A near date stretches the line; a far one goes behind a break.
    let first = Math.min(days.injected, days.opens);
    let last = Math.max(days.closes, days.injected);
    const reach = Math.max(7, Math.ceil((last - first) * 0.8));
    const far = days.theatre < first - reach ? -1 : days.theatre > last + reach ? 1 : 0;
    if (!far) {
      first = Math.min(first, days.theatre);
      last = Math.max(last, days.theatre);
    }
    first -= 1;
    last += 1;
    const left = 1 + (far < 0 ? BREAK : 0);
    const right = width - 1 - (far > 0 ? BREAK : 0);
    const cell = (right - left) / (last - first + 1);
    const start = function (day) { return left + (day - first) * cell; };
    const middle = function (day) { return start(day) + cell / 2; };

    // The theatre date, above.
    const pinX = far < 0 ? 14 : far > 0 ? width - 14 : middle(days.theatre);
    const words = tools.wrap('Theatre ' + dayNumber(since(days.theatre)) + ': ' + place.words, width - 8, true);
    const callout = words.concat([state.formatDate(days.theatre)]);
    const calloutWidth = Math.max(tools.measure(callout[callout.length - 1]), Math.max.apply(null, words.map(function (line) { return tools.measure(line, true); })));
    const textX = Math.max(2, Math.min(width - calloutWidth - 2, pinX - calloutWidth / 2));
    pen.text(words, textX, tools.TEXT, 'start', 'strong');
    pen.text(callout[callout.length - 1], textX, tools.TEXT + words.length * tools.LINE);
    const pinTop = callout.length * tools.LINE + 4;
    const row = pinTop + 34;

    // The days.
    pen.add('rect', {x: left, y: row, width: right - left, height: CELL, class: 'days'});
    pen.add('rect', {x: start(days.opens), y: row, width: (days.closes - days.opens + 1) * cell, height: CELL, class: 'window-days'});
    const signed = function (day) { return (since(day) < 0 ? '\u2212' : '') + Math.abs(since(day)); };
    const widest = Math.max(tools.measure(signed(last), true), tools.measure(signed(first), true));
    const step = [1, 2, 5, 7, 10, 14, 28, 56, 91, 182, 364, 728].filter(function (each) { return each * cell >= widest + 7; })[0] || 3650;
    if (cell >= 7) {
      for (let day = first + 1; day <= last; day += 1) pen.line(start(day), row, start(day), row + CELL, 'day-line');
    }
    // The days that matter are numbered first, then as many of the others as leave them room.
    const listDays = lists.map(function (each) { return each.day; });
    const named = [days.theatre, days.injected, days.opens, days.closes].concat(listDays).filter(function (day) { return day >= first && day <= last; });
    const others = [];
    for (let day = first; day <= last; day += 1) if (since(day) % step === 0) others.push(day);
    const numbered = [];
    named.concat(others).forEach(function (day) {
      const strong = day === days.theatre || day === days.injected;
      const half = tools.measure(signed(day), strong) / 2 + 4;
      const x = middle(day);
      if (numbered.some(function (other) { return Math.abs(other.x - x) < other.half + half; })) return;
      numbered.push({x: x, half: half});
      pen.text(signed(day), x, row + 18, 'middle', strong ? 'tick strong' : 'tick');
      if (cell < 7) pen.line(x, row + CELL - 4, x, row + CELL, 'day-line');
    });
    const box = function (day, kind) {
      const size = Math.max(cell, 4);
      pen.add('rect', {x: middle(day) - size / 2, y: row, width: size, height: CELL, class: kind});
    };
    box(days.injected, 'day-injected');
    if (!far) box(days.theatre, 'day-theatre');
    // A theatre list: a tab hanging from its day, over the window's bar.
    listDays.filter(function (day, index) { return listDays.indexOf(day) === index && day >= first && day <= last; }).forEach(function (day) {
      const x = middle(day);
      pen.add('path', {d: 'M' + (x - 5) + ' ' + (row + CELL) + 'L' + (x + 5) + ' ' + (row + CELL) + 'L' + x + ' ' + (row + CELL + 8) + 'Z', class: 'day-list'});
    });
    if (far) {
      const edge = far < 0 ? left : right;
      const beyond = far < 0 ? 1 : width - 1;
      pen.path([[edge, row], [beyond, row]], 'days-beyond');
      pen.path([[edge, row + CELL], [beyond, row + CELL]], 'days-beyond');
      [-4, 4].forEach(function (shift) {
        const x = edge - far * -14 + shift;
        pen.path([[x - 5, row + CELL + 6], [x + 5, row - 6]], 'break-line');
      });
      pen.text(signed(days.theatre), far < 0 ? 2 : width - 2, row + 18,
        far < 0 ? 'start' : 'end', 'tick strong');
    }

    // The pin: a filled disc inside the window, a crossed square outside it.
    const headY = pinTop + 9;
    pen.arrow(pinX, headY + 7, pinX, row - 2, 'pin');
    if (place.inside) {
      pen.add('circle', {cx: pinX, cy: headY, r: 7, class: 'pin-inside'});
      pen.path([[pinX - 3.5, headY], [pinX - 1, headY + 3], [pinX + 3.5, headY - 3]], 'pin-sign');
    } else {
      pen.add('rect', {x: pinX - 7, y: headY - 7, width: 14, height: 14, class: 'pin-outside'});
      pen.path([[pinX - 3.5, headY - 3.5], [pinX + 3.5, headY + 3.5]], 'pin-cross');
      pen.path([[pinX - 3.5, headY + 3.5], [pinX + 3.5, headY - 3.5]], 'pin-cross');
    }

    // The window, as a bar under its days.
    const barTop = row + CELL + (lists.length ? 11 : 5);
    const barLeft = start(days.opens);
    const barRight = start(days.closes + 1);
    const length = days.closes - days.opens + 1;
    pen.add('rect', {x: barLeft, y: barTop, width: barRight - barLeft, height: 24, rx: 3, class: 'window-bar'});
    const names = ['Operating window, ' + count(length), 'Window, ' + count(length), 'Window'];
    const fitting = names.filter(function (name) { return tools.measure(name, true) < barRight - barLeft - 10; })[0];
    if (fitting) {
      pen.text(fitting, (barLeft + barRight) / 2, barTop + 17, 'middle', 'strong on-bar');
    } else {
      const size = tools.measure(names[1], true);
      if (barRight + 6 + size <= width) pen.text(names[1], barRight + 6, barTop + 17, 'start', 'strong');
      else pen.text(names[1], barLeft - 6, barTop + 17, 'end', 'strong');
    }

    // Dates of the three days that make the window.
    const same = days.opens === days.closes;
    const labels = [
      {day: days.injected, x: middle(days.injected), from: row + CELL, lines: [dayNumber(0) + ', injected', state.formatDate(days.injected)]}
    ].concat(same ? [
      {day: days.opens, x: middle(days.opens), from: barTop + 24, lines: [dayNumber(since(days.opens)) + ', opens and closes', state.formatDate(days.opens)]}
    ] : [
      {day: days.opens, x: Math.min(middle(days.opens), barLeft + 12), from: barTop + 24, lines: [dayNumber(since(days.opens)) + ', opens', state.formatDate(days.opens)]},
      {day: days.closes, x: Math.max(middle(days.closes), barRight - 12), from: barTop + 24, lines: [dayNumber(since(days.closes)) + ', closes', state.formatDate(days.closes)]}
    ]);
    // A list on a day that has its label already joins it there.
    lists.forEach(function (each) {
      const there = labels.filter(function (label) { return label.day === each.day; })[0];
      if (there) {
        if (!/list/.test(there.lines[0])) there.lines[0] += ', ' + each.words;
      } else {
        labels.push({day: each.day, x: middle(each.day), from: barTop + 24, lines: [dayNumber(since(each.day)) + ', ' + each.words, state.formatDate(each.day)]});
      }
    });
    labels.forEach(function (label) {
      label.lines[0] = label.lines[0].charAt(0).toUpperCase() + label.lines[0].slice(1);
      label.size = Math.max(tools.measure(label.lines[0], true), tools.measure(label.lines[1])) + 4;
    });
    const rowHeight = 2 * tools.LINE + 12;
    const labelTop = barTop + 24 + 14;
    const set = arrange(labels, width);
    let deepest = 0;
    labels.forEach(function (label, index) {
      const spot = set[index];
      const top = labelTop + spot.row * rowHeight;
      deepest = Math.max(deepest, spot.row);
      pen.line(label.x, label.from, label.x, top - 1, 'leader');
      pen.text(label.lines[0], spot.left + 2, top + tools.TEXT, 'start', 'strong');
      pen.text(label.lines[1], spot.left + 2, top + tools.TEXT + tools.LINE);
    });
    return {
      width: width,
      height: labelTop + (deepest + 1) * rowHeight,
      title: 'Injection to surgery: theatre date ' + place.words,
      description: 'Injected on ' + state.formatDate(days.injected) + ', day 0. The window opens on ' + state.formatDate(days.opens) +
        ', ' + dayNumber(since(days.opens)) + ', and closes on ' + state.formatDate(days.closes) + ', ' + dayNumber(since(days.closes)) +
        '. Theatre is on ' + state.formatDate(days.theatre) + ', ' + dayNumber(since(days.theatre)) + ': ' + place.words + '.' +
        lists.map(function (each, index) {
          if (index && each.day === lists[0].day) return '';
          return ' ' + (each.role === 'list' ? 'The first list inside the window is on ' : 'The next list inside the window after the theatre date is on ') +
            state.formatDate(each.day) + ', ' + dayNumber(since(each.day)) + '.';
        }).join('') + tools.leftOut(state, ['list', 'next_list']).map(function (words) { return ' ' + words; }).join('')
    };
  };
}());
