/* The retina spread flat round the posterior pole, equal areas drawn equal (the azimuthal equal-area map of a sphere), with
 * the treated zone hatched.
 * definition.roles: {posterior_angle, ora_angle: degrees from the posterior pole seen from the centre of the globe, share: of
 * the retina; optional: anterior_angle (the ora without it), covered: share of the zone, burns, and with eye 'right' or
 * 'left': disc_angle: pole to the centre of the disc, disc_width}. */
(function () {
  'use strict';

  const drawings = window.calculatorDrawings = window.calculatorDrawings || {};

  drawings.zones = function (pen, state, available) {
    const tools = drawings.helpers;
    const posterior = tools.quantity(state, 'posterior_angle', 'degree');
    const ora = tools.quantity(state, 'ora_angle', 'degree');
    const anterior = tools.has(state, 'anterior_angle') ? tools.quantity(state, 'anterior_angle', 'degree') : ora;
    const given = anterior < ora - 0.01; // else the zone runs to the ora, which has its own line and name
    tools.quantity(state, 'share', 'share');
    if (!(ora > 0) || ora > 180) throw new Error('the ora serrata would lie outside the globe');
    if (posterior < 0 || posterior > anterior + 1e-9 || anterior > ora + 1e-9) {
      throw new Error('the zone would not lie between the posterior pole and the ora serrata');
    }
    const eye = tools.word(state, 'eye', ['right', 'left', null], null);
    const showDisc = eye !== null && tools.has(state, 'disc_angle');
    const width = Math.min(available, 460);
    const share = tools.amount(state, 'share');
    const heading = tools.wrap('Zone to treat: ' + share + ' of the retina', (width - 4) * tools.TEXT / 15, true);
    const under = tools.wrap((eye === 'right' ? 'Right eye. ' : eye === 'left' ? 'Left eye. ' : '') +
      'The retina spread flat, equal areas drawn equal' + (showDisc ? ', as seen facing the patient' : ''), width - 4);
    pen.text(heading, 2, tools.TEXT + 1, 'start', 'strong large');
    pen.text(under, 2, tools.TEXT + 3 + heading.length * tools.LINE);

    const radius = Math.min(170, width / 2 - 6);
    const side = eye === 'right' ? 1 : -1; // of the disc: nasal
    const top = tools.LINE * (heading.length + under.length) + (showDisc ? 34 : 16);
    const centre = {x: width / 2, y: top + radius};
    const full = Math.sin(ora * Math.PI / 360);
    const reach = function (angle) { return radius * Math.sin(angle * Math.PI / 360) / full; };
    const ring = function (angle) {
      const r = reach(angle);
      return 'M' + [centre.x - r, centre.y].join(' ') + 'a' + [r, r, 0, 1, 0, 2 * r, 0].join(' ') + 'a' + [r, r, 0, 1, 0, -2 * r, 0].join(' ') + 'Z';
    };

    pen.add('circle', {cx: centre.x, cy: centre.y, r: radius, class: 'retina'});
    const zone = ring(anterior) + (posterior > 0 ? ring(posterior) : '');
    pen.add('path', {d: zone, class: 'treated-tint', 'fill-rule': 'evenodd', fill: 'none'});
    pen.add('path', {d: zone, class: 'treated', 'fill-rule': 'evenodd', fill: pen.hatch('treatment')});
    if (ora > 90) pen.add('circle', {cx: centre.x, cy: centre.y, r: reach(90), class: 'equator'});
    pen.add('circle', {cx: centre.x, cy: centre.y, r: radius, class: 'ora'});
    if (posterior > 0) pen.add('circle', {cx: centre.x, cy: centre.y, r: reach(posterior), class: 'zone-limit'});
    if (given) pen.add('circle', {cx: centre.x, cy: centre.y, r: reach(anterior), class: 'zone-limit'});
    if (showDisc) {
      const angle = tools.quantity(state, 'disc_angle', 'degree');
      if (angle > ora) throw new Error('the disc would lie outside the retina');
      const size = tools.has(state, 'disc_width') ? (reach(angle + state.role('disc_width') / 2) - reach(angle - state.role('disc_width') / 2)) / 2 : 4;
      pen.add('circle', {cx: centre.x + side * reach(angle), cy: centre.y, r: Math.max(2, size), class: 'disc'});
      pen.text(side > 0 ? 'Temporal' : 'Nasal', 2, top - 4, 'start', 'strong');
      pen.text(side > 0 ? 'Nasal' : 'Temporal', width - 2, top - 4, 'end', 'strong');
    }
    pen.line(centre.x - 5, centre.y, centre.x + 5, centre.y, 'fovea');
    pen.line(centre.x, centre.y - 5, centre.x, centre.y + 5, 'fovea');

    // Names on leaders from the lower right of each ring; the innermost first, so that no leader crosses a name.
    const names = [{angle: ora, words: 'Ora serrata ' + tools.amount(state, 'ora_angle')}];
    const atEquator = given && Math.abs(anterior - 90) < 0.05;
    if (ora > 90 && !atEquator) names.push({angle: 90, words: 'Equator 90 degrees'});
    if (posterior > 0) names.push({angle: posterior, words: 'Posterior limit ' + tools.amount(state, 'posterior_angle')});
    if (given) names.push({angle: anterior, words: 'Anterior limit' + (atEquator ? ', the equator, ' : ' ') + tools.amount(state, 'anterior_angle')});
    names.sort(function (a, b) { return a.angle - b.angle; });
    let y = top + 2 * radius + 10;
    let last = -Infinity;
    names.forEach(function (each, index) {
      const r = reach(each.angle);
      const size = tools.measure(each.words, true);
      // Rings that lie close together share a direction, not a place.
      const x = Math.max(centre.x + r * Math.SQRT1_2, last + 7);
      last = x;
      const from = Math.min(r, x - centre.x);
      pen.line(x, centre.y + Math.sqrt(Math.max(0, r * r - from * from)), x, y + index * (tools.LINE + 4) + 8, 'leader');
      pen.line(x, y + index * (tools.LINE + 4) + 8, x - 6, y + index * (tools.LINE + 4) + 8, 'leader');
      pen.text(each.words, Math.max(size, x - 10), y + index * (tools.LINE + 4) + 13, 'end', 'strong');
    });
    y += names.length * (tools.LINE + 4) + 12;

    const covered = tools.has(state, 'covered') ? tools.amount(state, 'covered') : '';
    const burns = tools.has(state, 'burns') ? tools.amount(state, 'burns') : '';
    const more = (burns ? '; ' + burns : '') + (covered ? '; ' + covered + ' of the zone covered by burns' : '');
    const keys = [{words: 'Zone to treat, ' + share + ' of the retina' + more, sign: function (to, x, at) {
      to.add('rect', {x: x, y: at, width: 24, height: 13, class: 'treated-tint'});
      to.add('rect', {x: x, y: at, width: 24, height: 13, class: 'treated', fill: 'url(#' + to.id + '-treatment)'});
    }},
    {words: 'Posterior pole', sign: function (to, x, at) {
      to.line(x + 7, at + 7, x + 17, at + 7, 'fovea');
      to.line(x + 12, at + 2, x + 12, at + 12, 'fovea');
    }}];
    if (showDisc) keys.push({words: 'Disc', sign: function (to, x, at) { to.add('circle', {cx: x + 12, cy: at + 7, r: 5, class: 'disc'}); }});
    const height = pen.key(keys, 2, y, width - 4);
    return {
      width: width,
      height: height + 4,
      title: 'Zone of the retina to treat: ' + share,
      description: 'The treated zone reaches from ' + tools.amount(state, 'posterior_angle') + ' from the posterior pole to ' +
        (given ? tools.amount(state, 'anterior_angle') : 'the ora serrata') + '; the ora serrata lies at ' + tools.amount(state, 'ora_angle') +
        '. It holds ' + share + ' of the retina.' + (burns ? ' ' + burns + '.' : '') + (covered ? ' Burns cover ' + covered + ' of the zone.' : '') +
        (showDisc ? ' The disc is on the ' + (side > 0 ? 'right' : 'left') + ' of the picture.' : '') +
        tools.leftOut(state, ['covered', 'burns']).map(function (words) { return ' ' + words; }).join('')
    };
  };
}());
