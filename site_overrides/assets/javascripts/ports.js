/* The front of one eye with its three ports, to scale. Clock hours are always those seen facing the patient (12 superior;
 * temporal is 9 in the right eye and 3 in the left); the surgeon at the head of the table sees them turned by half a circle.
 * definition.roles: {eye: 'right' or 'left', view: 'examiner' or 'surgeon', distance: mm behind the limbus, temporal_port,
 * nasal_port, infusion_low, infusion_high: clock hours, limbus_diameter (or limbus_radius): mm, chord: mm between the working
 * ports, optional}. */
(function () {
  'use strict';

  const drawings = window.calculatorDrawings = window.calculatorDrawings || {};
  const USUAL_REACH = 4.5; // mm; keeps one scale while the distance changes within the adult range

  /** Signed clock hours from one position to another, the short way round. */
  function turn(from, to) {
    return ((to - from) % 12 + 18) % 12 - 6;
  }

  function side(hour) {
    return Math.sin(hour * Math.PI / 6);
  }

  drawings.ports = function (pen, state, available) {
    const tools = drawings.helpers;
    const number = tools.number;
    const eye = tools.word(state, 'eye', ['right', 'left']);
    const view = tools.word(state, 'view', ['examiner', 'surgeon'], 'examiner');
    const distance = number(state, 'distance');
    const limbus = state.role('limbus_radius') === undefined ? number(state, 'limbus_diameter') / 2 : number(state, 'limbus_radius');
    const temporal = number(state, 'temporal_port');
    const nasal = number(state, 'nasal_port');
    const infusionLow = number(state, 'infusion_low');
    const infusionHigh = state.role('infusion_high') === undefined ? infusionLow : number(state, 'infusion_high');
    if (!(limbus > 0) || !(distance > 0)) throw new Error('the limbus radius and the distance must be above zero');
    const temporalSign = eye === 'right' ? -1 : 1;
    // A picture of the wrong eye is the one mistake this must not make.
    if (side(temporal) * temporalSign < 0) throw new Error('the superotemporal port would lie on the nasal side');
    if (side(nasal) * temporalSign > 0) throw new Error('the superonasal port would lie on the temporal side');

    const clock = function (hour) { return state.formatClock(hour); };
    const range = turn(infusionLow, infusionHigh);
    const infusionText = range === 0 ? clock(infusionLow)
      : clock(range > 0 ? infusionLow : infusionHigh) + ' to ' + clock(range > 0 ? infusionHigh : infusionLow);
    const distanceText = state.withUnit(state.text(state.nameOf('distance')), 'mm');
    const width = Math.min(available, 460);
    const words = {up: 'Superior', down: 'Inferior', left: temporalSign < 0 ? 'Temporal' : 'Nasal', right: temporalSign < 0 ? 'Nasal' : 'Temporal'};
    if (view === 'surgeon') {
      Object.assign(words, {up: 'Inferior', down: 'Superior', left: words.right, right: words.left});
    }
    const sideRoom = Math.max(tools.measure(words.left, true), tools.measure(words.right, true)) + 10;
    const reach = limbus + Math.max(distance, USUAL_REACH) + 0.7;
    const radius = width / 2 - sideRoom;
    const scale = radius / reach; // px a mm
    const centre = {x: width / 2, y: 0};
    const heading = (eye === 'right' ? 'Right eye' : 'Left eye');
    const subheading = tools.wrap(view === 'surgeon' ? 'As the surgeon at the head of the table sees it' : 'As seen facing the patient', width - 4);

    const labels = [
      {kind: 'port', hour: temporal, name: 'Superotemporal', value: clock(temporal)},
      {kind: 'port', hour: nasal, name: 'Superonasal', value: clock(nasal)},
      {kind: 'infusion', hour: infusionLow + range / 2, name: 'Infusion', value: infusionText}
    ];
    const angle = function (hour) { return (hour * 30 + (view === 'surgeon' ? 180 : 0)) * Math.PI / 180; };
    labels.forEach(function (label) {
      label.size = Math.max(tools.measure(label.name), tools.measure(label.value, true));
      label.isLeft = Math.sin(angle(label.hour)) < 0;
      label.isTop = Math.cos(angle(label.hour)) > -1e-9;
    });

    // Room above and below the circle for the corner labels, given how far the circle curves away from them.
    const bandFor = function (top) {
      return [true, false].reduce(function (most, left) {
        const here = labels.filter(function (label) { return label.isTop === top && label.isLeft === left; });
        if (!here.length) return most;
        const inner = width / 2 - Math.max.apply(null, here.map(function (label) { return label.size; }));
        const slack = radius - Math.sqrt(Math.max(0, radius * radius - inner * inner));
        return Math.max(most, here.length * (2 * tools.LINE + 4) + 2 - slack);
      }, 24);
    };
    const headline = tools.wrap(heading + ', ' + distanceText + ' behind the limbus', (width - 4) * tools.TEXT / 15, true);
    const headHeight = tools.LINE * (headline.length + subheading.length) + 14;
    centre.y = headHeight + bandFor(true) + radius;
    const dialBottom = centre.y + radius;
    const bandBottom = dialBottom + bandFor(false);
    const at = function (hour, millimetres) {
      return [centre.x + Math.sin(angle(hour)) * millimetres * scale, centre.y - Math.cos(angle(hour)) * millimetres * scale];
    };

    pen.text(headline, 2, tools.TEXT + 1, 'start', 'strong large');
    pen.text(subheading, 2, tools.TEXT + 3 + headline.length * tools.LINE);

    // The eye.
    const ring = limbus + distance;
    pen.add('circle', {cx: centre.x, cy: centre.y, r: radius, class: 'sclera'});
    pen.line(centre.x - radius, centre.y, centre.x + radius, centre.y, 'meridian');
    pen.add('circle', {cx: centre.x, cy: centre.y, r: ring * scale, class: 'port-ring'});
    pen.add('circle', {cx: centre.x, cy: centre.y, r: limbus * scale, class: 'limbus'});
    pen.add('circle', {cx: centre.x, cy: centre.y, r: limbus * scale * 0.42, class: 'pupil'});
    // The chord between the working ports; its figure stands between the hour digits and the pupil if there is room, and
    // beneath the picture in any case.
    const chordText = tools.has(state, 'chord') ? tools.amount(state, 'chord') : '';
    if (chordText) {
      const ends = [at(temporal, ring), at(nasal, ring)];
      pen.line(ends[0][0], ends[0][1], ends[1][0], ends[1][1], 'chord');
      if (limbus * scale > 84) pen.text(chordText, centre.x, centre.y + limbus * scale * 0.42 * (view === 'surgeon' ? 1 : -1) + (view === 'surgeon' ? 13 : -4), 'middle', 'strong');
    }
    for (let hour = 1; hour <= 12; hour += 1) {
      const outer = at(hour, limbus);
      const inner = at(hour, limbus * 0.94);
      const digit = at(hour, limbus * 0.78);
      pen.line(outer[0], outer[1], inner[0], inner[1], 'hour');
      pen.text(String(hour), digit[0], digit[1] + 4, 'middle', 'tick digit halo');
    }
    pen.text(eye === 'right' ? 'R' : 'L', centre.x, centre.y + 7, 'middle', 'strong eye');

    pen.text(words.up, centre.x, centre.y - radius - 8, 'middle', 'strong');
    pen.text(words.down, centre.x, centre.y + radius + 19, 'middle', 'strong');
    pen.text(words.left, centre.x - radius - 6, centre.y + 4, 'end', 'strong');
    pen.text(words.right, centre.x + radius + 6, centre.y + 4, 'start', 'strong');

    // The measure, along the meridian that is farthest from the ports; superior if it is clear enough.
    const occupied = [temporal, nasal, infusionLow, infusionLow + range / 2, infusionHigh];
    const clear = function (hour) { return Math.min.apply(null, occupied.map(function (other) { return Math.abs(turn(hour, other)); })); };
    const free = [12, 6, 1, 11, 5, 7].reduce(function (best, hour) { return clear(hour) > clear(best) + 0.4 && clear(best) < 1.2 ? hour : best; });
    const from = at(free, limbus);
    const to = at(free, ring);
    pen.arrow(from[0], from[1], to[0], to[1], 'measure', true);
    pen.text(distanceText, from[0] + (to[0] - from[0]) * 0.5 + 9, from[1] + (to[1] - from[1]) * 0.45 + 5, 'start', 'strong halo');

    // The ports.
    const arc = [];
    const pieces = Math.max(1, Math.ceil(Math.abs(range) * 6));
    for (let index = 0; index <= pieces; index += 1) arc.push(at(infusionLow + range * index / pieces, ring));
    if (range !== 0) pen.path(arc, 'infusion-range');
    [infusionLow].concat(range === 0 ? [] : [infusionHigh]).forEach(function (hour) {
      const spot = at(hour, ring);
      pen.path([[spot[0], spot[1] - 6], [spot[0] + 6, spot[1]], [spot[0], spot[1] + 6], [spot[0] - 6, spot[1]], [spot[0], spot[1] - 6]], 'infusion-port');
    });
    [temporal, nasal].forEach(function (hour) {
      const spot = at(hour, ring);
      pen.add('circle', {cx: spot[0], cy: spot[1], r: 6, class: 'port'});
      pen.add('circle', {cx: spot[0], cy: spot[1], r: 2, class: 'port-bore'});
    });

    [true, false].forEach(function (top) {
      [true, false].forEach(function (left) {
        const here = labels.filter(function (label) { return label.isTop === top && label.isLeft === left; });
        here.forEach(function (label, index) {
          const x = left ? 2 : width - 2;
          const block = 2 * tools.LINE + 4;
          const y = top ? headHeight + tools.TEXT + index * block : bandBottom - (here.length - index) * block + tools.TEXT + 2;
          const spot = at(label.hour, ring);
          const sign = left ? 1 : -1;
          // From the label's nearer edge to just short of the mark.
          const start = [x + sign * Math.min(label.size * 0.6, Math.abs(spot[0] - x) * 0.8), top ? y + tools.LINE + 6 : y - tools.TEXT - 1];
          const length = Math.hypot(spot[0] - start[0], spot[1] - start[1]) || 1;
          const stop = 9 / length;
          pen.line(start[0], start[1], spot[0] + (start[0] - spot[0]) * stop, spot[1] + (start[1] - spot[1]) * stop, 'leader');
          pen.text(label.name, x, y, left ? 'start' : 'end');
          pen.text(label.value, x, y + tools.LINE, left ? 'start' : 'end', 'strong');
        });
      });
    });

    const notes = tools.wrap('To scale: limbus (solid circle) ' + state.withUnit(tools.plain(limbus * 2), 'mm') +
      ' across.' + (chordText ? ' Dashed line between the ports: ' + chordText + '.' : '') + ' Clock hours are those seen facing the patient.', width - 4);
    pen.text(notes, 2, bandBottom + 22, 'start', 'tick');
    return {
      width: width,
      height: bandBottom + 22 + (notes.length - 1) * tools.LINE + 8,
      title: heading + ', ports ' + distanceText + ' behind the limbus, ' + (view === 'surgeon' ? 'surgeon\u2019s view' : 'examiner\u2019s view'),
      description: heading + ', ' + (view === 'surgeon' ? 'as the surgeon at the head of the table sees it, superior at the bottom'
        : 'as seen facing the patient, superior at the top') + '; temporal is on the ' +
        (words.left === 'Temporal' ? 'left' : 'right') + ' of the picture. Superotemporal port at ' + clock(temporal) +
        ', superonasal port at ' + clock(nasal) + ', infusion at ' + infusionText + ', all ' + distanceText +
        ' behind the limbus.' + (chordText ? ' ' + state.label(state.nameOf('chord')) + ' ' + chordText + '.' : '') +
        ' Clock hours are those seen facing the patient.'
    };
  };
}());
