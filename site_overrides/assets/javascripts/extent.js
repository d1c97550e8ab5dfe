/* Blood in front of the macula, the fundus as seen facing the patient: disc, fovea and blood to scale in disc diameters.
 * definition.roles: {eye: 'right' or 'left', width, height: extents of the blood, disc: mm, disc_to_fovea: their centres;
 * optional: shape: 'boat' (flat level above, half an ellipse below) or 'oval', macula: its diameter, share, area, volume,
 * criterion: a length, drawn as a bar, or an area, drawn as a circle}. Lengths in disc diameters or mm. */
(function () {
  'use strict';

  const drawings = window.calculatorDrawings = window.calculatorDrawings || {};
  const USUAL = {wide: 9, high: 5}; // disc diameters; keeps one scale while the blood changes within them

  drawings.extent = function (pen, state, available) {
    const tools = drawings.helpers;
    const eye = tools.word(state, 'eye', ['right', 'left']);
    const shape = tools.word(state, 'shape', ['boat', 'oval'], 'boat');
    const disc = tools.quantity(state, 'disc', 'mm');
    if (!(disc > 0)) throw new Error('the diameter of the disc must be above zero');
    const kindOf = function (role) { return /^disc diameters?$|^$/.test(state.unit(state.nameOf(role))) ? 'own' : 'mm'; };
    /** A length in disc diameters. */
    const length = function (role) { return kindOf(role) === 'own' ? tools.number(state, role) : tools.quantity(state, role, 'mm') / disc; };
    const wide = length('width');
    const high = length('height');
    const apart = length('disc_to_fovea');
    if (!(wide >= 0) || !(high >= 0)) throw new Error('an extent of the blood is below zero');
    const macula = tools.has(state, 'macula') ? length('macula') : 0;
    const hasCriterion = tools.has(state, 'criterion');
    const criterionUnit = hasCriterion ? state.unit(state.nameOf('criterion')) : '';
    const isArea = /^disc areas?$|^mm\u00b2$/.test(criterionUnit);
    let criterion = 0; // disc diameters: the length of the bar, or the diameter of the circle
    if (hasCriterion) {
      // A disc area is that of a round disc one disc diameter across.
      if (isArea) criterion = Math.sqrt(criterionUnit === 'mm\u00b2' ? state.role('criterion') / (disc * disc) * 4 / Math.PI : state.role('criterion'));
      else criterion = length('criterion');
    }

    const width = Math.min(available, 520);
    const side = eye === 'right' ? 1 : -1; // of the disc; nasal, so to the picture's right in a right eye
    const circle = isArea ? criterion : 0;
    // The field, in disc diameters either side of the fovea.
    const reachX = Math.max(USUAL.wide / 2, wide / 2 + 0.3, macula / 2 + 0.3, circle / 2 + 0.3, criterion / 2 + 0.3, apart + 1);
    const reachY = Math.max(USUAL.high / 2, high / 2 + 0.3, macula / 2 + 0.3, circle / 2 + 0.3, 0.9);
    const textRight = 58; // for the height of the blood
    const scale = Math.min((width - 8 - textRight) / (2 * reachX), 300 / (2 * reachY));
    const heading = tools.wrap((eye === 'right' ? 'Right eye' : 'Left eye') + ', blood ' + tools.amount(state, 'width') + ' wide, ' +
      tools.amount(state, 'height') + ' high', (width - 4) * tools.TEXT / 15, true);
    pen.text(heading, 2, tools.TEXT + 1, 'start', 'strong large');
    pen.text('As seen facing the patient', 2, tools.TEXT + 3 + heading.length * tools.LINE);
    const top = (heading.length + 1) * tools.LINE + 34;
    // The height of the blood stands on the temporal side, where the disc is not.
    const fieldLeft = side > 0 ? textRight + 2 : 4;
    const fieldRight = fieldLeft + width - 8 - textRight;
    const centre = {x: (fieldLeft + fieldRight) / 2, y: top + reachY * scale};
    const at = function (x, y) { return [centre.x + x * scale, centre.y + y * scale]; };

    const outline = [];
    const steps = 60;
    for (let index = 0; index <= steps; index += 1) {
      const turn = shape === 'oval' ? 2 * Math.PI * index / steps : Math.PI * index / steps;
      outline.push(shape === 'oval' ? at(wide / 2 * Math.cos(turn), high / 2 * Math.sin(turn))
        : at(wide / 2 * Math.cos(turn), -high / 2 + high * Math.sin(turn)));
    }
    pen.add('rect', {x: fieldLeft, y: top, width: fieldRight - fieldLeft, height: 2 * reachY * scale, rx: 8, class: 'fundus'});
    const discAt = at(side * apart, 0);
    pen.add('circle', {cx: discAt[0], cy: discAt[1], r: scale / 2, class: 'disc'});
    pen.area(outline, 'blood', pen.hatch('blood'));
    pen.area(outline, 'blood-edge');
    pen.add('circle', {cx: discAt[0], cy: discAt[1], r: scale / 2, class: 'disc-edge'});
    if (shape === 'boat') {
      const level = at(0, -high / 2);
      pen.line(level[0] - wide / 2 * scale, level[1], level[0] + wide / 2 * scale, level[1], 'blood-level');
    }
    if (macula) pen.add('circle', {cx: centre.x, cy: centre.y, r: macula / 2 * scale, class: 'macula'});
    if (isArea) pen.add('circle', {cx: centre.x, cy: centre.y, r: criterion / 2 * scale, class: 'criterion'});
    pen.line(centre.x - 5, centre.y - 5, centre.x + 5, centre.y + 5, 'fovea');
    pen.line(centre.x - 5, centre.y + 5, centre.x + 5, centre.y - 5, 'fovea');
    pen.text(side > 0 ? 'Temporal' : 'Nasal', fieldLeft, top - 8, 'start', 'strong');
    pen.text(side > 0 ? 'Nasal' : 'Temporal', fieldRight, top - 8, 'end', 'strong');
    // Where blood or a circle runs under the word, its own edge keeps it readable.
    const within = tools.measure('Disc', true) < scale - 8;
    pen.text('Disc', discAt[0], discAt[1] + (within ? 5 : scale / 2 + 15), 'middle', 'strong halo');

    // The height, outside the field on the temporal side.
    // Three figures are enough beside the arrow, and fit there; the words beneath say it in full.
    const highText = tools.amount(state, 'height').replace(/^\d+\.\d+/, function (figures) {
      return String(Number(Number(figures).toPrecision(3)));
    }).split('\u00a0');
    const highLines = /^disc/.test(highText[1] || '') ? [highText[0], 'high'] : [highText.join('\u00a0'), 'high'];
    const measureX = side > 0 ? fieldLeft - 9 : fieldRight + 9;
    const endsY = [at(0, -high / 2)[1], at(0, high / 2)[1]];
    endsY.forEach(function (y) { pen.line(measureX - 5, y, measureX + 5, y, 'measure'); });
    if (endsY[1] - endsY[0] > 12) pen.arrow(measureX, endsY[0], measureX, endsY[1], 'measure', true);
    pen.text(highLines, measureX - side * 8, centre.y + 5 - (highLines.length - 1) * tools.LINE / 2, side > 0 ? 'end' : 'start', 'strong');

    // The width, under the field, and the criterion under that, one length above the other.
    const ruler = function (span, y, words, kind) {
      const left = centre.x - span / 2 * scale;
      const right = centre.x + span / 2 * scale;
      pen.line(left, y - 5, left, y + 5, kind);
      pen.line(right, y - 5, right, y + 5, kind);
      if (right - left > 12) pen.arrow(left, y, right, y, kind, true);
      const side = Math.max.apply(null, words.map(function (line) { return tools.measure(line, true); })) / 2 + 2;
      pen.text(words, Math.max(side, Math.min(width - side, centre.x)), y + 20, 'middle', 'strong');
      return y + 20 + (words.length - 1) * tools.LINE + 8;
    };
    let y = ruler(wide, centre.y + reachY * scale + 14, tools.wrap(tools.amount(state, 'width') + ' wide', width - 4, true), 'measure');
    const criterionText = hasCriterion ? state.label(state.nameOf('criterion')) + ': ' + tools.amount(state, 'criterion') : '';
    if (hasCriterion && !isArea) y = ruler(criterion, y + 8, tools.wrap(criterionText, width - 4, true), 'criterion');

    const named = function (role) { return tools.has(state, role) ? tools.amount(state, role) : ''; };
    const area = named('area');
    const volume = named('volume');
    const share = named('share');
    const keys = [{words: 'Blood, ' + (shape === 'boat' ? 'boat-shaped, with its level above' : 'oval') + (area ? '; area ' + area : '') + (volume ? '; volume ' + volume : ''),
      sign: function (to, x, at2) {
        to.add('rect', {x: x, y: at2, width: 24, height: 13, class: 'blood', fill: 'url(#' + to.id + '-blood)'});
        to.add('rect', {x: x, y: at2, width: 24, height: 13, class: 'blood-edge'});
      }},
    {words: 'Fovea', sign: function (to, x, at2) {
      to.line(x + 7, at2 + 2, x + 17, at2 + 12, 'fovea');
      to.line(x + 7, at2 + 12, x + 17, at2 + 2, 'fovea');
    }}];
    if (macula) {
      keys.push({words: 'Macula, ' + tools.amount(state, 'macula') + ' across' + (share ? '; ' + share + ' of it covered' : ''),
        sign: function (to, x, at2) { to.add('circle', {cx: x + 12, cy: at2 + 7, r: 7, class: 'macula'}); }});
    }
    if (isArea) {
      keys.push({words: criterionText, sign: function (to, x, at2) { to.add('circle', {cx: x + 12, cy: at2 + 7, r: 7, class: 'criterion'}); }});
    }
    keys.push({words: 'To scale: disc ' + tools.amount(state, 'disc') + ' across, drawn level with the fovea; blood centred on the fovea.', kind: 'tick'});
    const height = pen.key(keys, 2, y + 6, width - 4);
    return {
      width: width,
      height: height + 4,
      title: (eye === 'right' ? 'Right eye' : 'Left eye') + ', blood before the macula, ' + tools.amount(state, 'width') + ' by ' + tools.amount(state, 'height'),
      description: (eye === 'right' ? 'Right eye' : 'Left eye') + ' as seen facing the patient; the disc is on the ' + (side > 0 ? 'right' : 'left') +
        ' of the picture. ' + (shape === 'boat' ? 'Boat-shaped' : 'Oval') + ' blood centred on the fovea is ' + tools.amount(state, 'width') +
        ' wide and ' + tools.amount(state, 'height') + ' high.' + (area ? ' Its area is ' + area + '.' : '') + (volume ? ' Its volume is ' + volume + '.' : '') +
        (share ? ' It covers ' + share + ' of the macula.' : '') + (criterionText ? ' ' + criterionText + '.' : '') +
        ' The disc is ' + tools.amount(state, 'disc') + ' across' + (macula ? ', the macula ' + tools.amount(state, 'macula') : '') + '.' + tools.leftOut(state, ['macula', 'share', 'area', 'volume', 'criterion']).map(function (words) {
        return ' ' + words;
      }).join('')
    };
  };
}());
