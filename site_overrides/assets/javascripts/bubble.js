/* An eye in section with a bubble of air or gas: up is up, the eye turns with the head, the bubble floats. The globe is a
 * sphere and the meniscus flat; the lens is left out.
 * definition.roles: {diameter, meniscus: depth of the bubble from its top (mm), fill: share; optional: head, eye, contact:
 * share of the wall, contact_angle: degrees, meniscus_least and meniscus_most: mm, gas: choice, day}. */
(function () {
  'use strict';

  const drawings = window.calculatorDrawings = window.calculatorDrawings || {};
  const HEADS = ['upright', 'face-down', 'supine', 'side', 'right-side-down', 'left-side-down'];
  // Where the front of the eye points in the picture, in degrees clockwise from the right; the posterior pole is opposite.
  const FRONT = {'upright': 180, 'face-down': 90, 'supine': 270, 'side': 180, 'right-side-down': 180, 'left-side-down': 180};
  const POSTURE = {'upright': 'head upright', 'face-down': 'face down', 'supine': 'lying on the back', 'side': 'lying on one side',
    'right-side-down': 'lying on the right side', 'left-side-down': 'lying on the left side'};
  const CORNEA = 28; // degrees each side of the axis; for the look of it only

  /** The names of the four walls as the picture shows them. */
  function walls(head, eye) {
    if (head === 'upright') return {left: 'Front', right: 'Posterior pole', up: 'Superior wall', down: 'Inferior wall'};
    if (head === 'face-down') return {left: 'Superior wall', right: 'Inferior wall', up: 'Posterior pole', down: 'Front'};
    if (head === 'supine') return {left: 'Inferior wall', right: 'Superior wall', up: 'Front', down: 'Posterior pole'};
    const names = {left: 'Front', right: 'Posterior pole', up: 'Upper side', down: 'Lower side'};
    if (head !== 'side' && eye) {
      // Temporal is the patient's own right in a right eye.
      const lowerIsTemporal = (head === 'right-side-down') === (eye === 'right');
      names.up = (lowerIsTemporal ? 'Nasal' : 'Temporal') + ' wall';
      names.down = (lowerIsTemporal ? 'Temporal' : 'Nasal') + ' wall';
    }
    return names;
  }

  drawings.bubble = function (pen, state, available) {
    const tools = drawings.helpers;
    const diameter = tools.quantity(state, 'diameter', 'mm');
    const meniscus = tools.quantity(state, 'meniscus', 'mm');
    tools.quantity(state, 'fill', 'share');
    const head = tools.word(state, 'head', HEADS, 'upright');
    const eye = tools.word(state, 'eye', ['right', 'left', null], null);
    if (!(diameter > 0)) throw new Error('the diameter must be above zero');
    // A rounding error past either end is no other picture; more than that is.
    if (meniscus < -1e-6 * diameter || meniscus > diameter * (1 + 1e-6)) throw new Error('the meniscus would lie outside the globe');
    const between = tools.has(state, 'meniscus_least') && tools.has(state, 'meniscus_most');
    const bounds = between ? ['meniscus_least', 'meniscus_most'].map(function (role) {
      return Math.max(0, Math.min(diameter, tools.quantity(state, role, 'mm')));
    }) : [];

    const width = Math.min(available, 460);
    const names = walls(head, eye);
    const sides = {left: names.left.split(' '), right: names.right.split(' ')};
    const widest = function (lines) { return Math.max.apply(null, lines.map(function (line) { return tools.measure(line, true); })); };
    const room = Math.max(widest(sides.left), widest(sides.right)) + 26; // the cornea bulges into it
    const radius = Math.min(150, width / 2 - room);
    const scale = radius * 2 / diameter;
    const gasName = state.role('gas') === undefined ? 'Bubble' : state.text(state.nameOf('gas'));
    const fill = tools.amount(state, 'fill');
    const heading = tools.wrap('Bubble fills ' + fill + ', ' + POSTURE[head] +
      (tools.has(state, 'day') ? ', day ' + state.text(state.nameOf('day')) : ''), (width - 4) * tools.TEXT / 15, true);
    const under = tools.wrap(/side/.test(head) ? 'Section of the eye seen along the body; up is up' : 'Section of the eye seen from the side; up is up', width - 4);
    pen.text(heading, 2, tools.TEXT + 1, 'start', 'strong large');
    pen.text(under, 2, tools.TEXT + 3 + heading.length * tools.LINE);

    const centre = {x: width / 2, y: tools.LINE * (heading.length + under.length) + 42 + radius + (FRONT[head] === 270 ? 10 : 0)};
    const top = centre.y - radius;
    /** A point of the wall; degrees clockwise from the right. */
    const wall = function (degrees, reach) {
      const turn = degrees * Math.PI / 180;
      return [centre.x + Math.cos(turn) * radius * (reach || 1), centre.y + Math.sin(turn) * radius * (reach || 1)];
    };
    const arc = function (from, to) {
      const points = [];
      const pieces = Math.max(2, Math.ceil(Math.abs(to - from) / 4));
      for (let index = 0; index <= pieces; index += 1) points.push(wall(from + (to - from) * index / pieces));
      return points;
    };
    const half = function (depth) { return Math.acos(Math.max(-1, Math.min(1, 1 - 2 * depth / diameter))) * 180 / Math.PI; };
    const chord = function (depth) { return Math.sqrt(Math.max(0, depth * (diameter - depth))) * scale; };
    const depth = Math.max(0, Math.min(diameter, meniscus));
    const levelY = top + depth * scale;

    // The cornea stands out from the sphere at the front.
    const front = FRONT[head];
    const bulge = [];
    for (let index = 0; index <= 12; index += 1) {
      const across = index / 6 - 1;
      bulge.push(wall(front + CORNEA * across, 1 + 0.1 * (1 - across * across)));
    }
    pen.add('circle', {cx: centre.x, cy: centre.y, r: radius, class: 'globe'});
    pen.path(bulge, 'cornea');
    const opening = half(depth);
    if (depth > 0) {
      if (depth < diameter) pen.area(arc(270 - opening, 270 + opening), 'bubble-gas');
      else pen.add('circle', {cx: centre.x, cy: centre.y, r: radius, class: 'bubble-gas'});
      pen.path(depth < diameter ? arc(270 - opening, 270 + opening) : arc(-90, 270), 'touched');
    }
    bounds.forEach(function (each, index) {
      const y = top + each * scale;
      const reach = Math.max(3, chord(each));
      pen.line(centre.x - reach, y, centre.x + reach, y, 'level-range level-' + (index ? 'most' : 'least'));
    });
    if (depth > 0 && depth < diameter) pen.line(centre.x - chord(depth), levelY, centre.x + chord(depth), levelY, 'meniscus');

    const pole = wall(front + 180);
    pen.add('circle', {cx: pole[0], cy: pole[1], r: 5, class: 'pole'});

    // Names round the globe.
    pen.text(names.up, centre.x, top - (front === 270 ? radius * 0.1 : 0) - 10, 'middle', 'strong');
    pen.text(names.down, centre.x, centre.y + radius + (front === 90 ? radius * 0.1 : 0) + 20, 'middle', 'strong');
    const aside = function (lines, sign) {
      const edge = radius * (front === (sign < 0 ? 180 : 0) ? 1.1 : 1);
      pen.text(lines, centre.x + sign * (edge + 9), centre.y + 4 - (lines.length - 1) * tools.LINE / 2, sign < 0 ? 'end' : 'start', 'strong');
    };
    aside(sides.left, -1);
    aside(sides.right, 1);

    // The depth, inside the bubble where it is deep enough, else just under it.
    const depthText = tools.amount(state, 'meniscus');
    const taken = bounds.map(function (each) {
      const y = top + each * scale;
      return {left: centre.x - radius, right: centre.x + radius, top: y - 2, bottom: y + 2, weight: 3};
    });
    const inside = function (box) {
      // Height range of the circle over the box's width.
      const far = Math.max(Math.abs(box.left - centre.x), Math.abs(box.right - centre.x));
      const reach = far < radius ? Math.sqrt(radius * radius - far * far) : 0;
      return box.top > centre.y - reach + 4 && box.bottom < centre.y + reach - 4;
    };
    taken.push({left: centre.x - radius, right: centre.x + radius, top: levelY - 3, bottom: levelY + 3, weight: 8});
    // The bubble's top touches the measure; its words keep off it.
    if (depth * scale > 12) {
      pen.arrow(centre.x, top + 3, centre.x, levelY - 2, 'measure', true);
      taken.push({left: centre.x - 5, right: centre.x + 5, top: top, bottom: levelY, weight: 20});
    }
    const put = function (text, spots, kind) {
      const lines = [text];
      const found = spots.map(function (spot) {
        return {x: spot[0], y: spot[1], anchor: spot[2], box: tools.textBox(lines, spot[0], spot[1], spot[2], /strong/.test(kind))};
      }).filter(function (each) { return inside(each.box); });
      const best = tools.place(found, taken, {left: 0, right: width, top: 0, bottom: centre.y + radius});
      if (!best || taken.some(function (other) { return other.weight >= 8 && tools.overlap(best.box, other) > 0; })) return;
      const box = pen.text(text, best.x, best.y, best.anchor, kind);
      taken.push(Object.assign(box, {weight: 20}));
    };
    const rows = function (from, to, sides2) {
      const list = [];
      const middle = (from + to) / 2 + 5;
      [0, -14, 14, -28, 28, -42, 42, -56, 56].forEach(function (shift) {
        const y = middle + shift;
        if (y - tools.TEXT < from + 2 || y + 5 > to - 2) return;
        sides2.forEach(function (side) { list.push([side[0], y, side[1]]); });
      });
      return list;
    };
    if (depth > 0) {
      put(depthText, rows(top, levelY, [[centre.x + 10, 'start'], [centre.x - 10, 'end']]), 'strong on-gas');
      put(gasName, rows(top, levelY, [[centre.x - 12, 'end'], [centre.x + 12, 'start']]), 'on-gas');
    }
    if (depth < diameter) {
      put('Fluid', rows(levelY, centre.y + radius, [[centre.x, 'middle'], [centre.x - 12, 'end'], [centre.x + 12, 'start']]), 'on-fluid');
    }

    // How the posterior pole lies, by the same geometry.
    const poleDepth = (pole[1] - top) / scale;
    const near = 1e-6 * diameter;
    // A globe full of one or the other has no meniscus to lie at.
    const away = depth < near ? -1 : depth > diameter - near ? 1 : Math.abs(poleDepth - depth) < near ? 0 : depth - poleDepth;
    const poleWords = away > 0 ? 'above the meniscus: the bubble touches it' : away < 0 ? 'below the meniscus: fluid covers it' : 'at the meniscus';
    const contact = tools.has(state, 'contact') ? tools.amount(state, 'contact') : '';
    const angle = tools.has(state, 'contact_angle') ? tools.amount(state, 'contact_angle') : '';
    const touched = (contact ? contact + ' of the wall' : '') + (contact && angle ? ', ' : '') + (angle ? 'an arc of ' + angle : '');

    const keys = [
      {words: gasName + ' fills ' + fill + '; its meniscus lies ' + depthText + ' below its top',
        sign: function (to, x, y) {
          to.add('rect', {x: x, y: y, width: 24, height: 13, class: 'bubble-gas'});
          to.line(x, y + 13, x + 24, y + 13, 'meniscus');
        }},
      {words: 'Touched by the bubble' + (touched ? ': ' + touched : ''),
        sign: function (to, x, y) { to.line(x, y + 7, x + 24, y + 7, 'touched'); }},
      {words: 'Posterior pole, ' + poleWords,
        sign: function (to, x, y) { to.add('circle', {cx: x + 12, cy: y + 7, r: 5, class: 'pole'}); }}
    ];
    ['meniscus_least', 'meniscus_most'].forEach(function (role, index) {
      if (!between) return;
      keys.push({words: state.label(state.nameOf(role)) + ': ' + tools.amount(state, role),
        sign: function (to, x, y) { to.line(x, y + 7, x + 24, y + 7, 'level-range level-' + (index ? 'most' : 'least')); }});
    });
    keys.push({words: 'To scale: a sphere ' + tools.amount(state, 'diameter') + ' across, without the lens.', kind: 'tick'});
    const height = pen.key(keys, 2, centre.y + radius + 38 + (front === 90 ? radius * 0.1 : 0), width - 4);
    return {
      width: width,
      height: height + 4,
      title: 'Eye in section, bubble fills ' + fill + ', ' + POSTURE[head],
      description: 'The bubble fills ' + fill + ' of a sphere ' + tools.amount(state, 'diameter') + ' across, ' + POSTURE[head] +
        '. Its meniscus lies ' + depthText + ' below its top.' +
        (touched ? ' It touches ' + (contact ? '' : 'the wall over ') + touched + '.' : '') +
        ' The posterior pole lies ' + poleWords + '. At the top is the ' + tools.lowerFirst(names.up) + ', at the bottom the ' +
        tools.lowerFirst(names.down) + '.' + (between ? ['meniscus_least', 'meniscus_most'].map(function (role) {
        return ' ' + state.label(state.nameOf(role)) + ': ' + tools.amount(state, role) + '.';
      }).join('') : '') + tools.leftOut(state, ['contact', 'contact_angle', 'meniscus_least', 'meniscus_most', 'day']).map(function (words) {
        return ' ' + words;
      }).join('')
    };
  };
}());
