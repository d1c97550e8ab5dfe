/* Line plot of outputs across one input, with limits drawn across it and the present point marked.
 * definition.plot: {across, show: [outputs], marks: [names of limits, in the unit of the outputs], points}. */
(function () {
  'use strict';

  const drawings = window.calculatorDrawings = window.calculatorDrawings || {};

  function sample(state, plan, low, high) {
    const points = Math.max(2, plan.points || 61);
    const curves = plan.show.map(function () { return []; });
    for (let index = 0; index < points; index += 1) {
      const x = index === points - 1 ? high : low + (high - low) * index / (points - 1);
      const values = state.at({[plan.across]: x});
      plan.show.forEach(function (name, which) {
        const y = values ? values[name] : NaN;
        curves[which].push(Number.isFinite(y) ? [x, y] : null);
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

  drawings.plot = function (pen, state, width) {
    const tools = drawings.helpers;
    const plan = state.definition.plot;
    const input = state.definition.inputs[plan.across];
    const chosen = state.chosenUnit(plan.across);
    const marks = (plan.marks || []).filter(function (name) { return Number.isFinite(state.values[name]); });
    const curves = sample(state, plan, input.low, input.high);
    const unit = state.unit(plan.show[0]);
    const heights = marks.map(function (name) { return state.values[name]; });
    curves.forEach(function (curve) { curve.forEach(function (point) { if (point) heights.push(point[1]); }); });
    if (heights.length === marks.length) throw new Error('nothing in the range of ' + state.label(plan.across) + ' can be worked out');
    plan.show.forEach(function (name) { heights.push(state.values[name]); });

    let low = Math.min.apply(null, heights);
    let high = Math.max.apply(null, heights);
    const room = (high - low || Math.abs(high) || 1) * 0.08;
    low = low >= 0 && low - room < 0 ? 0 : low - room;
    high += room;

    const yTicks = tools.ticks(low, high, 6);
    const showY = function (value) { return tick(value, yTicks.decimals); };
    const left = 10 + Math.max.apply(null, yTicks.values.map(function (value) { return tools.measure(showY(value)); }));
    const right = width - 16;
    const heading = tools.wrap(plan.show.map(state.label).join(', ') + (unit ? ' (' + unit + ')' : ''), width - 4, true);
    const top = heading.length * tools.LINE + 8;
    const bottom = top + Math.max(210, Math.min(330, (right - left) * 0.56));
    const xLow = input.low / chosen.factor;
    const xHigh = input.high / chosen.factor;
    const xTicks = tools.ticks(xLow, xHigh, (right - left) / 48);

    function tick(value, decimals) {
      const text = Math.abs(value).toFixed(decimals);
      return (value < 0 && /[1-9]/.test(text) ? '\u2212' : '') + text;
    }

    const x = pen.axis('x', {low: xLow, high: xHigh, from: left, to: right, at: bottom, gridTo: top, values: xTicks.values},
      function (value) { return tick(value, xTicks.decimals); });
    const y = pen.axis('y', {low: low, high: high, from: bottom, to: top, at: left, gridTo: right, values: yTicks.values}, showY);
    const xOf = function (own) { return x(own / chosen.factor); };
    pen.text(heading, 2, tools.TEXT, 'start', 'strong');
    pen.text(state.label(plan.across) + (chosen.name ? ' (' + chosen.name + ')' : ''), (left + right) / 2, bottom + 36, 'middle', 'strong');

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
    plan.show.forEach(function (name) {
      const py = y(state.values[name]);
      taken.push({left: pointX - 9, right: pointX + 9, top: py - 9, bottom: py + 9, weight: 20});
      taken.push({left: left, right: pointX, top: py - 1, bottom: py + 1, weight: 0.5});
    });

    const lowest = marks.length ? Math.min.apply(null, marks.map(function (name) { return state.values[name]; })) : null;
    if (lowest !== null) {
      pen.add('rect', {x: left, y: y(lowest), width: right - left, height: Math.max(0, bottom - y(lowest)), class: 'beyond', fill: pen.hatch('limit')});
    }
    // Guides from the present point to the axes.
    plan.show.forEach(function (name) {
      const py = y(state.values[name]);
      pen.path([[pointX, bottom], [pointX, py], [left, py]], 'guide');
    });
    marks.forEach(function (name) {
      pen.line(left, y(state.values[name]), right, y(state.values[name]), 'limit-line');
    });
    curves.forEach(function (curve, which) {
      stretches(curve).forEach(function (stretch) {
        pen.path(stretch.map(function (point) { return [xOf(point[0]), y(point[1])]; }), 'curve curve-' + (which % 4));
      });
    });
    plan.show.forEach(function (name) {
      pen.add('circle', {cx: pointX, cy: y(state.values[name]), r: 5.5, class: 'present'});
    });

    marks.forEach(function (name) {
      const py = y(state.values[name]);
      const value = state.withUnit(state.text(name), unit);
      const full = state.label(name) + ' ' + value;
      // A long name would run across the curve; the key beneath carries it.
      const words = [tools.measure(full, true) < (right - left) * 0.4 ? full : 'Limit ' + value];
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
    plan.show.forEach(function (name) {
      const py = y(state.values[name]);
      const result = state.withUnit(state.text(name), state.unit(name));
      const words = plan.show.length > 1 ? [state.label(name), result] : [result, 'at ' + at];
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

    let height = bottom + 44;
    if (lowest !== null) {
      const lowestName = marks.filter(function (name) { return state.values[name] === lowest; })[0];
      const words = tools.wrap('Below ' + state.withUnit(state.text(lowestName), unit) + ': ' +
        state.label(lowestName).replace(/^[A-Z](?=[a-z])/, function (first) { return first.toLowerCase(); }), right - left - 30);
      pen.add('rect', {x: left, y: height + 2, width: 22, height: 13, class: 'beyond key', fill: 'url(#' + pen.id + '-limit)'});
      pen.text(words, left + 30, height + 13, 'start', 'tick');
      height += 5 + words.length * tools.LINE;
    }

    const sentences = plan.show.map(function (name) {
      const value = state.values[name];
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
      sentences.push('From ' + ends.map(function (end) {
        return state.withUnit(tools.plain(end[0] / chosen.factor), chosen.name);
      }).join(' to ') + ' it goes from ' + ends.map(function (end) {
        return state.withUnit(state.textOf(name, end[1]), state.unit(name));
      }).join(' to ') + '.');
    });
    return {
      width: width,
      height: height,
      title: plan.show.map(state.label).join(', ') + ' against ' + state.label(plan.across),
      description: sentences.join(' ')
    };
  };
}());
