/* Line plot of outputs across one input, with limits drawn across it, bands between two results, and the present point marked.
 * definition.plot: {across, show: [outputs], marks: [names of limits], bands: [{low, high, label}], points}; limits and bands
 * are in the unit of the outputs. A withheld result leaves a gap. */
(function () {
  'use strict';

  const drawings = window.calculatorDrawings = window.calculatorDrawings || {};

  /** Each name's curve across the input: points, or null where there is no value. */
  function sample(state, plan, names, low, high) {
    const points = Math.max(2, plan.points || 61);
    const curves = {};
    names.forEach(function (name) { curves[name] = []; });
    for (let index = 0; index < points; index += 1) {
      const x = index === points - 1 ? high : low + (high - low) * index / (points - 1);
      const values = state.at({[plan.across]: x});
      Object.keys(curves).forEach(function (name) {
        const y = values ? values[name] : NaN;
        curves[name].push(Number.isFinite(y) ? [x, y] : null);
      });
    }
    return curves;
  }

  /** Unbroken stretches of a curve: a value that cannot be worked out leaves a gap. */
  function stretches(curve) {
    const list = [];
    let open = null;
    curve.forEach(function (point) {
      if (!point) open = null;
      else if (open) open.push(point);
      else list.push(open = [point]);
    });
    return list.filter(function (each) { return each.length > 1; });
  }

  /** The part of the input's range to draw: where nothing can be worked out for a fifth of it or more, it is left away. */
  function reach(whole, here, input) {
    const size = input.high - input.low;
    let low = Infinity;
    let high = -Infinity;
    let step = 0;
    Object.keys(whole).forEach(function (name) {
      step = size / (whole[name].length - 1);
      whole[name].forEach(function (point) {
        if (!point) return;
        low = Math.min(low, point[0]);
        high = Math.max(high, point[0]);
      });
    });
    low = Math.max(input.low, Math.min(low, here) - step);
    high = Math.min(input.high, Math.max(high, here) + step);
    return {
      low: low - input.low >= size / 5 ? low : input.low,
      high: input.high - high >= size / 5 ? high : input.high
    };
  }

  drawings.plot = function (pen, state, width) {
    const tools = drawings.helpers;
    const plan = state.definition.plot;
    const input = state.definition.inputs[plan.across];
    const chosen = state.chosenUnit(plan.across);
    const marks = (plan.marks || []).filter(function (name) { return Number.isFinite(state.values[name]); });
    const bands = (plan.bands || []).map(function (band) {
      return Object.assign({}, band, {label: band.label.charAt(0).toUpperCase() + band.label.slice(1)});
    });
    const needed = bands.reduce(function (list, band) { return list.concat([band.low, band.high]); }, plan.show);
    const whole = sample(state, plan, needed, input.low, input.high);
    const span = reach(whole, state.values[plan.across], input);
    const sampled = span.low > input.low || span.high < input.high ? sample(state, plan, needed, span.low, span.high) : whole;
    const curves = plan.show.map(function (name) { return sampled[name]; });
    const several = plan.show.length > 1;
    const isDrawn = function (name) { return sampled[name].some(Boolean); };
    const drawn = plan.show.filter(isDrawn);
    const unit = state.unit(plan.show[0]);
    const heights = marks.map(function (name) { return state.values[name]; });
    needed.forEach(function (name) { sampled[name].forEach(function (point) { if (point) heights.push(point[1]); }); });
    if (heights.length === marks.length) throw new Error('nothing in the range of ' + state.label(plan.across) + ' can be worked out');
    // The results that have a value now; the others are withheld, and said so.
    const present = plan.show.filter(function (name) { return Number.isFinite(state.values[name]); });
    present.forEach(function (name) { heights.push(state.values[name]); });

    let low = Math.min.apply(null, heights);
    let high = Math.max.apply(null, heights);
    const room = (high - low || Math.abs(high) || 1) * 0.08;
    low = low >= 0 && low - room < 0 ? 0 : low - room;
    high += room;

    const yTicks = tools.ticks(low, high, 6);
    const showY = function (value) { return tick(value, yTicks.decimals); };
    const left = 10 + Math.max.apply(null, yTicks.values.map(function (value) { return tools.measure(showY(value)); })) + 3;
    const right = width - 16;
    const bare = function (name) { return name ? ' (' + state.withUnit('', name).trim() + ')' : ''; };
    const inUnit = bare(unit === 'ratio' ? '' : unit);
    const titled = function (names) {
      return names.map(function (name, index) { return index ? tools.lowerFirst(state.label(name)) : state.label(name); }).join('; ');
    };
    let heading = tools.wrap(titled(drawn) + inUnit, width - 4, true);
    // Many results: each is named at its line and in the key.
    if (several && heading.length > 2) heading = tools.wrap(state.definition.title + inUnit, width - 4, true);
    const top = heading.length * tools.LINE + 8;
    const bottom = top + Math.max(210, Math.min(330, (right - left) * 0.56));
    const xLow = span.low / chosen.factor;
    const xHigh = span.high / chosen.factor;
    const xTicks = tools.ticks(xLow, xHigh, (right - left) / 48);

    function tick(value, decimals) {
      const text = Math.abs(value).toFixed(decimals);
      return (value < 0 && /[1-9]/.test(text) ? '\u2212' : '') + text;
    }

    const x = pen.axis('x', {low: xLow, high: xHigh, from: left, to: right, at: bottom, gridTo: top, values: xTicks.values},
      function (value) { return tick(value, xTicks.decimals); });
    const y = pen.axis('y', {low: low, high: high, from: bottom, to: top, at: left, gridTo: right, values: yTicks.values}, showY);
    if (low < 0 && high > 0) pen.line(left, y(0), right, y(0), 'zero');
    const xOf = function (own) { return x(own / chosen.factor); };
    pen.text(heading, 2, tools.TEXT, 'start', 'strong');
    pen.text(state.label(plan.across) + bare(chosen.name === 'ratio' ? '' : chosen.name), (left + right) / 2, bottom + 36, 'middle', 'strong');

    // What must stay readable: boxes along the curves and round the point.
    const taken = [];
    const bounds = {left: left + 2, right: right, top: top, bottom: bottom - 2};
    curves.forEach(function (curve) {
      stretches(curve).forEach(function (stretch) {
        stretch.forEach(function (point, index) {
          const next = stretch[Math.min(index + 1, stretch.length - 1)];
          [0, 0.5].forEach(function (share) {
            const px = xOf(point[0] + (next[0] - point[0]) * share);
            const py = y(point[1] + (next[1] - point[1]) * share);
            taken.push({left: px - 3, right: px + 3, top: py - 3, bottom: py + 3, weight: 6});
          });
        });
      });
    });
    const pointX = xOf(state.values[plan.across]);
    present.forEach(function (name) {
      const py = y(state.values[name]);
      taken.push({left: pointX - 9, right: pointX + 9, top: py - 9, bottom: py + 9, weight: 20});
      taken.push({left: left, right: pointX, top: py - 1, bottom: py + 1, weight: 0.5});
    });

    const lowest = marks.length ? Math.min.apply(null, marks.map(function (name) { return state.values[name]; })) : null;
    if (lowest !== null) {
      pen.add('rect', {x: left, y: y(lowest), width: right - left, height: Math.max(0, bottom - y(lowest)), class: 'beyond', fill: pen.hatch('limit')});
    }
    bands.forEach(function (band, which) {
      const paint = pen.hatch('band-' + which % 3, [135, 0, 90][which % 3]);
      // Where both edges are known.
      const edges = sampled[band.low].map(function (point, index) {
        const other = sampled[band.high][index];
        return point && other ? [point[0], point[1], other[1]] : null;
      });
      stretches(edges).forEach(function (stretch) {
        const under = stretch.map(function (each) { return [xOf(each[0]), y(each[1])]; });
        const over = stretch.map(function (each) { return [xOf(each[0]), y(each[2])]; });
        const edge = under.concat(over.reverse());
        pen.area(edge, 'band-tint');
        pen.area(edge, 'band', paint);
      });
    });
    // Guides from the present point to the axes.
    if (!present.length) pen.line(pointX, bottom, pointX, top, 'guide');
    present.forEach(function (name) {
      const py = y(state.values[name]);
      pen.path([[pointX, bottom], [pointX, py], [left, py]], 'guide');
    });
    marks.forEach(function (name) {
      pen.line(left, y(state.values[name]), right, y(state.values[name]), 'limit-line');
    });
    curves.forEach(function (curve, which) {
      stretches(curve).forEach(function (stretch) {
        pen.path(stretch.map(function (point) { return [xOf(point[0]), y(point[1])]; }), 'curve curve-' + (which % 6));
      });
    });
    present.forEach(function (name) {
      pen.add('circle', {cx: pointX, cy: y(state.values[name]), r: 5.5, class: 'present'});
    });

    marks.forEach(function (name) {
      const py = y(state.values[name]);
      const value = state.withUnit(state.text(name), unit);
      const full = state.label(name) + ' ' + value;
      // A long name would run across the curve; the key beneath carries it.
      const words = [tools.measure(full, true) < (right - left) * 0.4 ? full : value];
      const candidates = [];
      [[right - 6, 'end'], [left + 8, 'start'], [(left + right) / 2, 'middle']].forEach(function (side) {
        [py + 17, py - 7].forEach(function (base) {
          candidates.push({x: side[0], y: base, anchor: side[1], box: tools.textBox(words, side[0], base, side[1], true)});
        });
      });
      const chosenPlace = tools.place(candidates, taken, bounds);
      const box = pen.text(words, chosenPlace.x, chosenPlace.y, chosenPlace.anchor, 'strong limit-text halo');
      box.weight = 10;
      taken.push(box);
      taken.push({left: left, right: right, top: py - 2, bottom: py + 2, weight: 1});
    });

    const at = state.withUnit(tools.plain(state.values[plan.across] / chosen.factor), chosen.name);
    const letter = function (which) { return String.fromCharCode(65 + which); };
    const lettered = {};
    if (several) {
      // Each line by name if every name finds a clear place beside its line; if not, by letter where that is clear.
      const tags = function (wordsOf) {
        const used = [];
        return plan.show.map(function (name, which) {
          const words = wordsOf(name, which);
          const candidates = [];
          const solid = stretches(curves[which]).reduce(function (points, stretch) { return points.concat(stretch); }, []);
          // A word close to two lines names neither.
          const alone = function (point, box) {
            const index = curves[which].indexOf(point);
            const over = Math.min(box.top - 7, y(point[1]) - 4);
            const under = Math.max(box.bottom + 7, y(point[1]) + 4);
            return curves.every(function (other, each) {
              return each === which || !other[index] || y(other[index][1]) < over || y(other[index][1]) > under;
            });
          };
          [0.9, 0.75, 0.6, 0.45, 0.3, 0.15, 0.97, 0.03].forEach(function (share) {
            const point = solid[Math.round((solid.length - 1) * share)];
            if (!point) return;
            [[0, 'middle'], [-8, 'end'], [8, 'start']].forEach(function (side) {
              [-9, 19].forEach(function (drop) {
                const spot = {x: xOf(point[0]) + side[0], y: y(point[1]) + drop - (drop < 0 ? (words.length - 1) * tools.LINE : 0), anchor: side[1]};
                spot.words = words;
                spot.box = tools.textBox(words, spot.x, spot.y, spot.anchor, true);
                if (alone(point, spot.box)) candidates.push(spot);
              });
            });
          });
          if (!solid.length) return {clear: true, which: which, absent: true};
          const found = tools.place(candidates, taken.concat(used), bounds);
          if (!found) return {clear: false};
          const box = found.box;
          found.which = which;
          found.clear = box.left >= bounds.left - 1 && box.right <= bounds.right + 1 && box.top >= bounds.top - 1 && box.bottom <= bounds.bottom + 1 &&
            taken.concat(used).every(function (other) { return (other.weight || 1) < 1 || !tools.overlap(box, other); });
          if (found.clear) used.push(Object.assign({weight: 30}, box));
          return found;
        });
      };
      let set = tags(function (name) { return tools.wrap(state.label(name), (right - left) * 0.42, true); });
      if (!set.every(function (each) { return each.clear; })) {
        set = tags(function (name, which) { return [letter(which)]; }).filter(function (each) { return each.clear; });
        set.forEach(function (each) { lettered[each.which] = !each.absent; });
      }
      set.filter(function (each) { return !each.absent; }).forEach(function (each) { pen.text(each.words, each.x, each.y, each.anchor, 'strong halo'); });
    } else {
      present.forEach(function (name) {
        const py = y(state.values[name]);
        const words = [state.withUnit(state.text(name), state.unit(name)), 'at ' + at];
        const candidates = [];
        [[12, 'start'], [-12, 'end'], [0, 'middle'], [40, 'start'], [-40, 'end'], [-90, 'end'], [90, 'start']].forEach(function (side) {
          [-24, 20, -4, -44, 40, -64, 60].forEach(function (drop) {
            candidates.push({x: pointX + side[0], y: py + drop, anchor: side[1],
              box: tools.textBox(words, pointX + side[0], py + drop, side[1], true)});
          });
        });
        const chosenPlace = tools.place(candidates, taken, bounds);
        const box = pen.text(words, chosenPlace.x, chosenPlace.y, chosenPlace.anchor, 'strong halo');
        box.weight = 10;
        taken.push(box);
      });
    }

    let height = bottom + 44;
    if (several) {
      pen.text(tools.wrap('At ' + at, right - left, true), left, height + 13, 'start', 'strong');
      height = pen.key(plan.show.map(function (name, which) {
        const value = present.indexOf(name) < 0 ? '\u2013' + (isDrawn(name) ? '' : ', not drawn') : state.withUnit(state.text(name), state.unit(name));
        return {words: (lettered[which] ? letter(which) + '. ' : '') + state.label(name) + ': ' + value,
          sign: function (to, kx, ky) { to.line(kx - 4, ky + 7, kx + 28, ky + 7, 'curve curve-' + (which % 6)); }};
      }), left + 2, height + 20, right - left) + 2;
    }
    if (bands.length) {
      height = pen.key(bands.map(function (band, which) {
        const ends = [state.values[band.low], state.values[band.high]];
        const now = ends.every(Number.isFinite) ? ': ' + state.text(band.low) + ' to ' + state.withUnit(state.text(band.high), unit) : '';
        return {words: band.label + now, sign: function (to, kx, ky) {
          to.add('rect', {x: kx - 2, y: ky, width: 26, height: 13, class: 'band-tint'});
          to.add('rect', {x: kx - 2, y: ky, width: 26, height: 13, class: 'band', fill: 'url(#' + to.id + '-band-' + which % 3 + ')'});
        }};
      }), left + 2, height, right - left) + 2;
    }
    if (lowest !== null) {
      const lowestName = marks.filter(function (name) { return state.values[name] === lowest; })[0];
      const words = tools.wrap(state.label(lowestName) + ': ' + state.withUnit(state.text(lowestName), unit) + '; hatched beneath it', right - left - 30);
      pen.add('rect', {x: left, y: height + 2, width: 22, height: 13, class: 'beyond key', fill: 'url(#' + pen.id + '-limit)'});
      pen.text(words, left + 30, height + 13, 'start', 'tick');
      height += 5 + words.length * tools.LINE;
    }

    const sentences = plan.show.map(function (name) {
      const value = state.values[name];
      if (present.indexOf(name) < 0) {
        return 'At ' + state.label(plan.across) + ' ' + at + ', ' + state.label(name) + ' is withheld. ' + (state.withheld[name] || '');
      }
      return 'At ' + state.label(plan.across) + ' ' + at + ', ' + state.label(name) + ' is ' + state.withUnit(state.text(name), state.unit(name)) +
        marks.map(function (mark) {
          const limit = state.values[mark];
          return ', ' + (value < limit ? 'below ' : value > limit ? 'above ' : 'at ') + state.label(mark) + ' ' +
            state.withUnit(state.text(mark), unit);
        }).join('') + '.';
    });
    curves.forEach(function (curve, which) {
      const solid = curve.filter(Boolean);
      if (!solid.length) return;
      const name = plan.show[which];
      const ends = [solid[0], solid[solid.length - 1]];
      sentences.push((several ? state.label(name) + ': from ' : 'From ') + ends.map(function (end) {
        return state.withUnit(tools.plain(Number((end[0] / chosen.factor).toPrecision(4))), chosen.name);
      }).join(' to ') + ' it goes from ' + ends.map(function (end) {
        return state.withUnit(state.textOf(name, end[1]), state.unit(name));
      }).join(' to ') + '.');
    });
    bands.forEach(function (band) {
      const ends = [state.values[band.low], state.values[band.high]];
      if (!ends.every(Number.isFinite)) return;
      sentences.push(band.label + ': from ' + state.text(band.low) + ' to ' + state.withUnit(state.text(band.high), unit) + ' here.');
    });
    return {
      width: width,
      height: height,
      title: titled(drawn) + ' against ' + state.label(plan.across),
      description: sentences.join(' ')
    };
  };
}());
