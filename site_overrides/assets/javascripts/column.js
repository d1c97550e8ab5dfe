/* A bottle above (or below) the eye, its height to scale, with the pressure that the column of fluid makes.
 * definition.roles: {height: of the fluid surface above the eye, and at least one of mmhg, cmh2o, kpa: that pressure;
 * optional: in_eye: the pressure left in the eye at a flow}. */
(function () {
  'use strict';

  const drawings = window.calculatorDrawings = window.calculatorDrawings || {};
  const UNITS = {mmhg: 'mmHg', cmh2o: 'cmH2O', kpa: 'kPa'};
  const TOPS = [30, 60, 120, 180, 240, 300]; // cm; the scale changes in steps, so that the bottle is seen to move

  drawings.column = function (pen, state, available) {
    const tools = drawings.helpers;
    const height = tools.quantity(state, 'height', 'cm');
    const roles = Object.keys(UNITS).filter(function (role) { return state.nameOf(role) !== undefined; });
    if (!roles.length) throw new Error('no pressure was given to it');
    const shown = roles.filter(function (role) { return tools.has(state, role); });
    if (!shown.length) tools.number(state, roles[0]);
    shown.forEach(function (role) {
      const unit = state.unit(state.nameOf(role));
      if (unit && unit !== UNITS[role]) throw new Error('the pressure in ' + UNITS[role] + ' is in ' + unit);
    });
    const pressures = shown.map(function (role) {
      // Always in the unit the part names, whatever unit the reader types in.
      const name = state.nameOf(role);
      const typed = !state.isInput(name) || state.chosenUnit(name).factor === 1;
      return state.withUnit(typed ? state.text(name) : tools.plain(Number(state.role(role).toPrecision(4))), UNITS[role]);
    });
    const inEye = tools.has(state, 'in_eye') ? tools.amount(state, 'in_eye') : '';
    const heightText = tools.amount(state, 'height').replace(/^\u2212/, '');
    const below = height < 0;
    const heading0 = height === 0 ? 'Bottle level with the eye' : 'Bottle ' + heightText + (below ? ' below the eye' : ' above the eye');

    const width = Math.min(available, 460);
    const far = TOPS.filter(function (each) { return each >= Math.abs(height); })[0] || Math.ceil(Math.abs(height) / 100) * 100;
    // With the bottle below, the words at the eye stand above it and need room there.
    const high = below ? far * 0.7 : far;
    const low = below ? -far : 0;
    const heading = tools.wrap(heading0 + ': ' + pressures[0], (width - 4) * tools.TEXT / 15, true);
    pen.text(heading, 2, tools.TEXT + 1, 'start', 'strong large');
    const top = heading.length * tools.LINE + 34;
    const bottom = top + 260;
    const left = 34;
    const ticks = tools.ticks(low, high, 6);
    const scale = function (value) { return bottom - (value - low) / (high - low) * (bottom - top); };
    const eyeY = scale(0);
    const level = scale(height);
    const eyeX = width * 0.62;
    const eyeR = 24;
    const bottleX = left + 46;
    const arrowX = bottleX + 52;

    pen.text('cm', left - 6, top - 12, 'end', 'tick');
    ticks.values.forEach(function (value) {
      const y = scale(value);
      pen.line(left - 4, y, left, y, 'axis');
      pen.text(tools.plain(value), left - 8, y + 4, 'end', 'tick');
    });
    pen.line(left, top, left, bottom, 'axis');
    pen.line(left, eyeY, width, eyeY, 'level-line');
    pen.line(left, level, arrowX + 10, level, 'level-line');

    // The bottle: its fluid surface is the level that counts.
    const half = 17;
    const deep = 46;
    pen.path([[bottleX, top - 14], [bottleX, level - 16]], 'hanger');
    pen.add('rect', {x: bottleX - half, y: level, width: 2 * half, height: deep, class: 'bottle-fluid'});
    pen.area([[bottleX - 6, level - 16], [bottleX + 6, level - 16], [bottleX + half, level - 8], [bottleX + half, level + deep],
      [bottleX + 5, level + deep + 10], [bottleX - 5, level + deep + 10], [bottleX - half, level + deep], [bottleX - half, level - 8]], 'bottle');
    pen.line(bottleX - half, level, bottleX + half, level, 'meniscus');
    // The line sags under both ends, then enters the eye.
    const out = level + deep + 10;
    const sag = Math.max(out + 34, eyeY + 46);
    const number = function (each) { return Math.round(each * 100) / 100; };
    pen.add('path', {d: 'M' + [bottleX, out, 'C', bottleX, sag, eyeX - eyeR - 34, sag + 6, eyeX - eyeR * 0.86, eyeY + eyeR * 0.5].map(function (each) {
      return typeof each === 'number' ? number(each) : each;
    }).join(' '), class: 'tube'});

    pen.add('circle', {cx: eyeX, cy: eyeY, r: eyeR, class: 'globe'});
    pen.path([-28, -14, 0, 14, 28].map(function (degrees) {
      const turn = (degrees - 90) * Math.PI / 180;
      const reach = eyeR * (1.14 - Math.abs(degrees) / 200);
      return [eyeX + Math.cos(turn) * reach, eyeY + Math.sin(turn) * reach];
    }), 'cornea');

    if (Math.abs(level - eyeY) > 12) pen.arrow(arrowX, eyeY, arrowX, level, 'measure', true);
    // A short column has no room beside its arrow: its figure stands above the higher level. Below the eye the line runs on
    // the right of the arrow, the bottle on the left of its lower end.
    const beside = Math.abs(level - eyeY) > (below ? 76 : 30);
    pen.text(heightText, arrowX + (below && beside ? -9 : 9), beside ? (level + eyeY) / 2 + 5 - (below ? 8 : 0) : Math.min(level, eyeY) - 8,
      below && beside ? 'end' : 'start', 'strong');

    const atEye = tools.wrap('Pressure at the eye', width - eyeX - eyeR - 8);
    const textX = eyeX - eyeR;
    let y = below ? eyeY - eyeR - 14 - pressures.length * tools.LINE : eyeY + eyeR + 22;
    pen.text(atEye.length > 1 ? ['At the eye'] : atEye, textX + 6, y);
    pressures.forEach(function (each) {
      y += tools.LINE;
      pen.text(each, textX + 6, y, 'start', 'strong');
    });
    y += 8;
    const lowest = Math.max(y, sag, out, bottom) + 14;
    const keys = [{words: 'Fluid surface, ' + heading0.replace(/^Bottle /, ''), sign: function (to, x, at) { to.line(x, at + 7, x + 24, at + 7, 'meniscus'); }}];
    if (inEye) keys.push({words: state.label(state.nameOf('in_eye')) + ': ' + inEye, kind: 'strong'});
    const end = pen.key(keys, 2, lowest, width - 4);
    return {
      width: width,
      height: end + 4,
      title: heading0 + ', ' + pressures[0],
      description: 'The fluid surface in the bottle stands ' + (height === 0 ? 'level with the eye' : heightText + (below ? ' below the eye' : ' above the eye')) +
        '. Pressure at the eye: ' + pressures.join(', ') + '.' + (inEye ? ' ' + state.label(state.nameOf('in_eye')) + ': ' + inEye + '.' : '') +
        tools.leftOut(state, roles.concat(['in_eye'])).map(function (words) { return ' ' + words; }).join('')
    };
  };
}());
