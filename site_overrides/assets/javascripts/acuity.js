/* Visual acuity as a ladder: logMAR beside the Snellen steps, best at the top, the result marked.
 * definition.roles: {logmar; optional: decimal, metric: denominator at 6 m, feet: denominator at 20 ft, letters,
 * convention_1 ... convention_6: logMAR that others give, convention_N_to: makes it a range}. */
(function () {
  'use strict';

  const drawings = window.calculatorDrawings = window.calculatorDrawings || {};
  // Denominators at 6 m; their logMAR is log10(denominator / 6) by definition.
  const STEPS = [3, 3.75, 4.8, 6, 7.5, 9, 12, 15, 18, 24, 30, 36, 48, 60, 90, 120, 180, 240, 360, 600, 1200, 2400, 6000];
  // When they crowd, these are named first.
  const USUAL = [6, 60, 12, 24, 600, 36, 18, 9, 120, 3, 6000];

  drawings.acuity = function (pen, state, available) {
    const tools = drawings.helpers;
    const result = tools.quantity(state, 'logmar', 'logMAR');
    const roles = [1, 2, 3, 4, 5, 6].map(function (index) { return 'convention_' + index; });
    const conventions = roles.filter(function (role) { return tools.has(state, role); }).map(function (role) {
      const from = tools.quantity(state, role, 'logMAR');
      const ranged = tools.has(state, role + '_to');
      const to = ranged ? tools.quantity(state, role + '_to', 'logMAR') : from;
      const short = state.text(state.nameOf(role)) + (ranged ? ' to ' + state.text(state.nameOf(role + '_to')) : '');
      return {low: Math.min(from, to), high: Math.max(from, to), words: state.label(state.nameOf(role)), short: short, value: short + '\u00a0logMAR'};
    });
    const width = Math.min(available, 520);
    const values = [result].concat(conventions.map(function (each) { return each.low; }), conventions.map(function (each) { return each.high; }));
    const low = Math.min(-0.3, Math.floor(Math.min.apply(null, values) * 10) / 10);
    const high = Math.max(1.7, Math.ceil(Math.max.apply(null, values) * 10) / 10);

    const named = [];
    if (tools.has(state, 'metric')) named.push('6/' + state.text(state.nameOf('metric')));
    if (tools.has(state, 'feet')) named.push('20/' + state.text(state.nameOf('feet')));
    if (tools.has(state, 'decimal')) named.push('decimal ' + state.text(state.nameOf('decimal')));
    if (tools.has(state, 'letters')) named.push(tools.amount(state, 'letters'));
    const logmarText = state.text(state.nameOf('logmar')) + '\u00a0logMAR';
    // As charts print it: 6/12, not 6/12.0.
    const shortened = named.map(function (each) { return /^(6|20)\//.test(each) ? each.replace(/\.0+$/, '') : each; });
    const heading = tools.wrap(logmarText + (named.length ? ', ' + shortened.slice(0, 2).join(', ') : ''), (width - 4) * tools.TEXT / 15, true);
    pen.text(heading, 2, tools.TEXT + 1, 'start', 'strong large');

    const axisX = 50;
    const snellenX = axisX + 12;
    const shown = STEPS.filter(function (metric) { return Math.log10(metric / 6) >= low - 1e-9 && Math.log10(metric / 6) <= high + 1e-9; });
    const columnWidth = function (head, wordsOf) {
      return Math.max.apply(null, [tools.measure(head, true)].concat(shown.map(function (metric) { return tools.measure(wordsOf(metric)); })));
    };
    const inMetres = function (metric) { return '6/' + tools.plain(metric); };
    const inFeet = function (metric) { return '20/' + tools.plain(metric * 10 / 3); };
    const feetX = snellenX + columnWidth('6 m', inMetres) + 12;
    const rightX = feetX + columnWidth('20 ft', inFeet) + 9;
    // Two lanes beside the ladder: the result's sign, then those of the conventions.
    const laneX = rightX + 23;
    const textX = laneX + 18;
    const room = width - textX - 2;
    const blocks = [{at: result, kind: 'result', strong: tools.measure(logmarText, true) > room ? logmarText.split('\u00a0') : [logmarText], lines: tools.wrap(shortened.join(', '), room)}].concat(conventions.map(function (each) {
      return {at: (each.low + each.high) / 2, low: each.low, high: each.high, kind: 'convention', strong: tools.wrap(each.words + ': ' + each.short, room, true), lines: []};
    })).sort(function (a, b) { return a.at - b.at; });
    blocks.forEach(function (block) {
      block.lines = block.lines.filter(Boolean);
      block.size = (block.strong.length + block.lines.length) * tools.LINE + 10;
    });
    const head = heading.length * tools.LINE + 24;
    const top = head + 18;
    const total = blocks.reduce(function (sum, block) { return sum + block.size; }, 0);
    const length = Math.max(360, total);
    const at = function (value) { return top + (value - low) / (high - low) * length; };

    pen.text('logMAR', 2, head, 'start', 'strong');
    pen.text('6 m', snellenX, head, 'start', 'strong');
    pen.text('20 ft', feetX, head, 'start', 'strong');
    const ticks = tools.ticks(low, high, 12);
    ticks.values.forEach(function (value) {
      const text = Math.abs(value).toFixed(1);
      pen.text((value < -0.05 ? '\u2212' : '') + text, axisX - 9, at(value) + 4, 'end', 'tick');
      pen.line(axisX - 5, at(value), axisX, at(value), 'axis');
    });
    pen.line(axisX, top, axisX, top + length, 'axis');
    pen.line(rightX, top, rightX, top + length, 'axis');
    const done = [];
    USUAL.concat(shown).forEach(function (metric) {
      const y = at(Math.log10(metric / 6));
      if (shown.indexOf(metric) < 0 || done.some(function (other) { return Math.abs(other - y) < 16; })) return;
      done.push(y);
      pen.line(axisX, y, axisX + 5, y, 'axis');
      pen.line(rightX - 5, y, rightX, y, 'axis');
      pen.text(inMetres(metric), snellenX, y + 4, 'start', 'tick');
      pen.text(inFeet(metric), feetX, y + 4, 'start', 'tick');
    });

    const tops = tools.spread(blocks.map(function (block) { return at(block.at) - 10; }), blocks.map(function (block) { return block.size; }), top - 10, top + length + 14);
    blocks.forEach(function (block, index) {
      const y = at(block.at);
      const base = tops[index] + tools.TEXT;
      const isResult = block.kind === 'result';
      if (isResult) {
        pen.line(axisX - 5, y, axisX + 7, y, 'result-line');
        pen.area([[rightX + 14, y - 7], [rightX + 1, y], [rightX + 14, y + 7]], 'result-mark');
      } else if (block.high > block.low) {
        pen.line(laneX, at(block.low), laneX, at(block.high), 'convention-range');
      } else {
        pen.area([[laneX, y - 5], [laneX + 5, y], [laneX, y + 5], [laneX - 5, y]], 'convention-mark');
      }
      pen.path([[isResult ? rightX + 14 : laneX + 5, y], [laneX + 8, y], [textX - 4, base - 4]], isResult ? 'today-line' : 'leader');
      pen.text(block.strong, textX, base, 'start', isResult ? 'strong today-text' : 'strong');
      pen.text(block.lines, textX, base + block.strong.length * tools.LINE);
    });
    return {
      width: width,
      height: top + length + 22,
      title: 'Visual acuity ' + logmarText + (named.length ? ', ' + named.join(', ') : ''),
      description: 'The result is ' + logmarText + (named.length ? ', that is ' + named.join(', ') : '') + ', on a ladder from ' +
        tools.plain(low) + ' to ' + tools.plain(high) + ' logMAR, best at the top.' + conventions.map(function (each) {
        return ' ' + each.words + ': ' + each.value + '.';
      }).join('') + tools.leftOut(state, ['decimal', 'metric', 'feet', 'letters'].concat(roles, roles.map(function (role) { return role + '_to'; }))).map(function (words) {
        return ' ' + words;
      }).join('')
    };
  };
}());
