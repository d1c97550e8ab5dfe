/* The age of a haemorrhage on an upright time line, the days near its onset drawn wider than the months after.
 * definition.roles: {onset, today, stage_1 ... stage_6: dates, at least one stage; stage_N_to: date, optional, makes stage_N
 * a span}. Stages are named by the labels of their results. */
(function () {
  'use strict';

  const drawings = window.calculatorDrawings = window.calculatorDrawings || {};
  const MONTH = 365.2425 / 12; // days, mean of the calendar
  const BEND = 7; // days: about where the scale goes from even to logarithmic
  const MARKS = [[1, '1 day'], [3, '3 days'], [7, '1 week'], [14, '2 weeks'], [MONTH, '1 month'], [2 * MONTH, '2 months'], [3 * MONTH, '3 months'],
    [6 * MONTH, '6 months'], [12 * MONTH, '1 year'], [24 * MONTH, '2 years'], [60 * MONTH, '5 years'], [120 * MONTH, '10 years'],
    [240 * MONTH, '20 years'], [600 * MONTH, '50 years'], [1200 * MONTH, '100 years'], [2400 * MONTH, '200 years'], [3600 * MONTH, '300 years']];

  function count(number, unit) {
    return number + ' ' + unit + (number === 1 ? '' : 's');
  }

  /** Days in words, with weeks, months or years beside them where they read better. */
  function ageWords(days) {
    const plain = count(days, 'day');
    if (days < 14) return plain;
    if (days < 4 * MONTH) return plain + ', ' + count(Math.floor(days / 7), 'week') + (days % 7 ? ' and ' + count(days % 7, 'day') : '');
    if (days < 24 * MONTH) return plain + ', about ' + count(Math.round(days / MONTH), 'month');
    return plain + ', about ' + count(Math.round(days / MONTH / 12), 'year');
  }

  drawings.haemorrhage = function (pen, state, available) {
    const tools = drawings.helpers;
    const onset = Math.floor(tools.number(state, 'onset'));
    const today = Math.floor(tools.number(state, 'today'));
    if (today < onset) throw new Error('today lies before the onset');
    const roles = [1, 2, 3, 4, 5, 6].map(function (index) { return 'stage_' + index; }).filter(function (role) { return state.nameOf(role) !== undefined; });
    if (!roles.length) throw new Error('no stage was given to it');
    const stages = roles.filter(function (role) { return tools.has(state, role); }).map(function (role) {
      const from = Math.floor(state.role(role)) - onset;
      const spans = tools.has(state, role + '_to');
      const to = spans ? Math.floor(state.role(role + '_to')) - onset : from;
      const name = state.label(state.nameOf(role));
      if (from < 0) throw new Error('\u201c' + name + '\u201d lies before the onset');
      if (to < from) throw new Error('\u201c' + name + '\u201d ends before it begins');
      const age = today - onset;
      const standing = age < from ? 'to come' : spans ? (age > to ? 'past' : 'now') : age === from ? 'today' : 'past';
      return {role: role, name: name, from: from, to: to, spans: spans, standing: standing};
    });
    if (!stages.length) tools.number(state, roles[0]);
    const age = today - onset;
    const date = function (day) { return state.formatDate(onset + day); };

    const width = Math.min(available, 560);
    const heading = tools.wrap('Blood of ' + ageWords(age), (width - 4) * tools.TEXT / 15, true);
    pen.text(heading, 2, tools.TEXT + 1, 'start', 'strong large');

    // Each event is a block of words at the right; two rows at least.
    const spans = stages.filter(function (stage) { return stage.spans; });
    const axisX = 74;
    // Spans that overlap in time stand in lanes of their own.
    const lanes = [];
    spans.slice().sort(function (a, b) { return a.from - b.from; }).forEach(function (span) {
      span.lane = lanes.findIndex(function (end) { return end < span.from; });
      if (span.lane < 0) span.lane = lanes.push(span.to) - 1;
      else lanes[span.lane] = span.to;
    });
    const textX = axisX + 34 + lanes.length * 14;
    const room = width - textX - 2;
    const events = stages.map(function (stage) {
      const when = stage.spans ? [date(stage.from) + ' to', date(stage.to) + ', ' + stage.standing] : [date(stage.from) + ', ' + stage.standing];
      return {day: stage.from, kind: 'stage', stage: stage, strong: tools.wrap(stage.name, room, true),
        lines: when.reduce(function (list, line) { return list.concat(tools.wrap(line, room)); }, [])};
    });
    events.push({day: 0, kind: 'onset', strong: ['Onset'], lines: [date(0)]});
    events.push({day: age, kind: 'today', strong: tools.wrap('Today, day ' + age, room, true), lines: [date(age)]});
    const order = {onset: 0, stage: 1, today: 2};
    events.sort(function (a, b) { return a.day - b.day || order[a.kind] - order[b.kind]; });
    events.forEach(function (event) { event.size = (event.strong.length + event.lines.length) * tools.LINE + 10; });

    const top = heading.length * tools.LINE + 22;
    const total = events.reduce(function (sum, event) { return sum + event.size; }, 0);
    const last = Math.max.apply(null, [28, age * 1.05].concat(stages.map(function (stage) { return stage.to * 1.05; })));
    const length = Math.max(340, total);
    const bend = function (day) { return Math.log(1 + day / BEND); };
    const at = function (day) { return top + length * bend(day) / bend(last); };

    // The axis: what has passed is solid, what is to come is dashed.
    let free = top + 12;
    pen.text('Day 0', axisX - 10, top + 4, 'end', 'tick');
    MARKS.forEach(function (mark) {
      const y = at(mark[0]);
      if (mark[0] > last || y < free) return;
      pen.line(axisX - 5, y, axisX, y, 'axis');
      pen.text(mark[1], axisX - 10, y + 4, 'end', 'tick');
      free = y + 18;
    });
    pen.line(axisX, top, axisX, at(age), 'time-past');
    pen.line(axisX, at(age), axisX, top + length, 'time-ahead');

    spans.forEach(function (stage) {
      const x = axisX + 14 + stage.lane * 14;
      pen.add('rect', {x: x - 5, y: at(stage.from), width: 10, height: Math.max(3, at(stage.to) - at(stage.from)), class: 'span span-' + (stage.standing === 'now' ? 'now' : 'other')});
    });
    const tops = tools.spread(events.map(function (event) { return at(event.day) - 9; }), events.map(function (event) { return event.size; }), top - 9, top + length + 12);
    events.forEach(function (event, index) {
      const y = at(event.day);
      const base = tops[index] + tools.TEXT;
      const fromX = event.stage && event.stage.spans ? axisX + 20 + event.stage.lane * 14 : axisX + 6;
      pen.path([[fromX, y], [textX - 14, y], [textX - 5, base - 4]], event.kind === 'today' ? 'today-line' : 'leader');
      if (event.kind === 'today') {
        pen.area([[axisX - 8, y - 6], [axisX + 2, y], [axisX - 8, y + 6]], 'today-mark');
      } else if (!(event.stage && event.stage.spans)) {
        pen.add('circle', {cx: axisX, cy: y, r: 5, class: event.kind === 'onset' ? 'onset-mark' : 'stage-mark' + (event.stage.standing === 'to come' ? '' : ' reached')});
      }
      pen.text(event.strong, textX, base, 'start', 'strong' + (event.kind === 'today' ? ' today-text' : ''));
      pen.text(event.lines, textX, base + event.strong.length * tools.LINE);
    });
    const end = pen.key([{words: 'Days near the onset are drawn wider than later ones. Solid: passed; dashed: to come.', kind: 'tick'}], -32, top + length + 22, width + 28);
    return {
      width: width,
      height: end + 4,
      title: 'Age of the haemorrhage: ' + ageWords(age),
      description: 'Onset on ' + date(0) + '. Today, ' + date(age) + ', the blood is ' + ageWords(age) + ' old. ' + stages.map(function (stage) {
        return stage.name + ': ' + (stage.spans ? date(stage.from) + ' to ' + date(stage.to) : date(stage.from)) + ', ' + stage.standing + '.';
      }).join(' ') + tools.leftOut(state, roles.concat(roles.map(function (role) { return role + '_to'; }))).map(function (words) { return ' ' + words; }).join('')
    };
  };
}());
