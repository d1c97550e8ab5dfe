/* Helpers shared by the calculators' drawings. A drawing is a function (pen, state, width) in window.calculatorDrawings
 * that returns {width, height, title, description}; one unit is one CSS pixel, so text keeps its size on a phone.
 * Colours come from classes in calculator.css only. */
(function () {
  'use strict';

  const registry = window.calculatorDrawings = window.calculatorDrawings || {};
  const NAMESPACE = 'http://www.w3.org/2000/svg';
  const TEXT = 13; // px, as in calculator.css
  const LINE = 17;
  let count = 0; // keeps ids apart when a page holds several drawings
  let ruler = null;
  let family = '';
  let widths = new Map();

  /** One SVG element; attributes with null or undefined are left out. */
  function element(name, attributes, content) {
    const node = document.createElementNS(NAMESPACE, name);
    Object.keys(attributes || {}).forEach(function (key) {
      const value = attributes[key];
      if (value === null || value === undefined) return;
      node.setAttribute(key, typeof value === 'number' ? String(Math.round(value * 100) / 100) : value);
    });
    if (typeof content === 'string') node.textContent = content;
    return node;
  }

  /** Width of a text in px, measured in the page's own font. */
  function measure(text, bold, size) {
    const key = (bold ? 'b' : 'n') + (size || TEXT) + text;
    const known = widths.get(key);
    if (known !== undefined) return known;
    if (!ruler) ruler = document.createElement('canvas').getContext('2d');
    let width = text.length * (size || TEXT) * 0.62;
    if (ruler) {
      ruler.font = (bold ? '700 ' : '400 ') + (size || TEXT) + 'px ' + (family || 'sans-serif');
      width = ruler.measureText(text).width;
    }
    if (widths.size > 2000) widths = new Map();
    widths.set(key, width);
    return width;
  }

  /** Words broken into lines no wider than `width` px. */
  function wrap(text, width, bold) {
    const lines = [];
    text.split(' ').forEach(function (word) {
      const last = lines.length - 1;
      if (last >= 0 && measure(lines[last] + ' ' + word, bold) <= width) lines[last] += ' ' + word;
      else lines.push(word);
    });
    return lines;
  }

  /** Round tick values covering low..high, about `wanted` of them: {step, values, decimals}. */
  function ticks(low, high, wanted) {
    const rough = (high - low) / Math.max(1, wanted);
    const power = Math.pow(10, Math.floor(Math.log10(rough)));
    const digit = [1, 2, 2.5, 5, 10].filter(function (each) { return each * power >= rough * 0.999; })[0];
    const step = digit * power;
    const decimals = Math.max(0, (digit === 2.5 ? 1 : 0) - Math.floor(Math.log10(power * (digit === 10 ? 10 : 1)) + 1e-9));
    const values = [];
    for (let index = Math.ceil(low / step - 1e-9); index * step <= high + step * 1e-9; index += 1) values.push(index * step);
    return {step: step, values: values, decimals: decimals};
  }

  /** A converted figure at no more than six significant digits, as the fields show it. */
  function plain(value) {
    return String(Number(value.toPrecision(6))).replace('-', '\u2212');
  }

  function overlap(a, b) {
    const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
    const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
    return wide > 0 && high > 0 ? wide * high : 0;
  }

  /** Box round a text whose first baseline is at y. */
  function textBox(lines, x, y, anchor, bold, size) {
    const width = Math.max.apply(null, lines.map(function (line) { return measure(line, bold, size); }));
    const left = anchor === 'end' ? x - width : anchor === 'middle' ? x - width / 2 : x;
    return {left: left - 2, right: left + width + 2, top: y - TEXT, bottom: y + (lines.length - 1) * LINE + 4};
  }

  /** The candidate box that covers least of what is there already and stays within bounds; the first of equals. */
  function place(candidates, taken, bounds) {
    let best = null;
    let least = Infinity;
    candidates.forEach(function (candidate) {
      const box = candidate.box;
      const outside = Math.max(0, bounds.left - box.left) + Math.max(0, box.right - bounds.right) +
        Math.max(0, bounds.top - box.top) + Math.max(0, box.bottom - bounds.bottom);
      const cost = taken.reduce(function (sum, other) { return sum + overlap(box, other) * (other.weight || 1); }, outside * 200);
      if (cost < least - 1e-6) {
        least = cost;
        best = candidate;
      }
    });
    return best;
  }

  /** Tops for blocks stacked in one column, each as near to where it wants to be as its neighbours let it.
   *  wanted and sizes in px, in order from the top; they must fit between top and bottom. */
  function spread(wanted, sizes, top, bottom) {
    const tops = [];
    let limit = top;
    wanted.forEach(function (want, index) {
      tops.push(Math.max(limit, want));
      limit = tops[index] + sizes[index];
    });
    limit = bottom;
    for (let index = tops.length - 1; index >= 0; index -= 1) {
      tops[index] = Math.min(tops[index], limit - sizes[index]);
      limit = tops[index];
    }
    return tops;
  }

  /* ---- what a drawing asks of the calculator ---- */

  // The first unit of each kind is the one a drawing works in; '' is a name without unit.
  const KINDS = {
    mm: {'': 1, 'mm': 1, '\u00b5m': 0.001, 'cm': 10, 'm': 1000},
    cm: {'': 1, 'cm': 1, 'mm': 0.1, 'm': 100},
    share: {'': 1, 'ratio': 1, '%': 0.01},
    degree: {'': 1, 'degree': 1, 'degrees': 1, '\u00b0': 1},
    logMAR: {'': 1, 'logMAR': 1, 'ratio': 1}
  };

  function quote(role) {
    return '\u201c' + role.replace(/_/g, ' ') + '\u201d';
  }

  function has(state, role) {
    return Number.isFinite(state.role(role));
  }

  /** The number that plays a part; one that is withheld or missing means no picture. */
  function number(state, role) {
    const sentence = state.withheld[state.nameOf(role)];
    if (sentence) throw Object.assign(new Error(sentence), {withheld: true});
    if (!has(state, role)) throw new Error('the value for ' + quote(role) + ' is missing');
    return state.role(role);
  }

  /** The same in the unit a drawing works in, one of KINDS. A wrong scale is worse than no picture. */
  function quantity(state, role, kind) {
    const value = number(state, role);
    const factor = KINDS[kind][state.unit(state.nameOf(role))];
    if (factor === undefined) throw new Error(quote(role) + ' is in ' + state.unit(state.nameOf(role)) + ', which this drawing does not know');
    return value * factor;
  }

  /** The key that plays a part, one of those allowed. */
  function word(state, role, allowed, otherwise) {
    const value = state.role(role) === undefined ? otherwise : state.role(role);
    if (allowed.indexOf(value) < 0) throw new Error('\u201c' + value + '\u201d is not one of ' + allowed.join(', '));
    return value;
  }

  /** A part's figure with its unit, as the page shows it: an input in the unit the reader chose. */
  function amount(state, role) {
    const name = state.nameOf(role);
    const chosen = state.chosenUnit(name);
    if (state.isInput(name) && chosen.factor !== 1) return state.withUnit(plain(state.role(role) / chosen.factor), chosen.name);
    return state.withUnit(state.text(name), state.unit(name));
  }

  function lowerFirst(text) {
    return text.replace(/^[A-Z](?=[a-z ])/, function (first) { return first.toLowerCase(); });
  }

  /** Sentences of the optional parts that are withheld: what the picture leaves out, the words still tell. */
  function leftOut(state, roles) {
    return roles.reduce(function (list, role) {
      const sentence = state.withheld[state.nameOf(role)];
      return sentence && list.indexOf(sentence) < 0 ? list.concat([sentence]) : list;
    }, []);
  }

  /** Draws into one group, in the order of the calls. */
  function Pen(group, id) {
    this.group = group;
    this.id = id;
  }

  Pen.prototype.add = function (name, attributes, content) {
    const node = element(name, attributes, content);
    this.group.appendChild(node);
    return node;
  };

  Pen.prototype.line = function (x1, y1, x2, y2, kind) {
    return this.add('line', {x1: x1, y1: y1, x2: x2, y2: y2, class: kind});
  };

  Pen.prototype.path = function (points, kind) {
    const data = points.map(function (point, index) {
      return (index ? 'L' : 'M') + point.map(function (each) { return Math.round(each * 100) / 100; }).join(' ');
    }).join('');
    return this.add('path', {d: data, class: kind});
  };

  /** A closed outline. */
  Pen.prototype.area = function (points, kind, fill) {
    const node = this.path(points, kind);
    node.setAttribute('d', node.getAttribute('d') + 'Z');
    if (fill) node.setAttribute('fill', fill);
    return node;
  };

  /** What the signs of a drawing mean, one row each, beneath it. rows: [{sign: function (pen, x, y) for a place 26 by 13 px,
   *  words}]. Returns the y under the last row. */
  Pen.prototype.key = function (rows, left, top, width) {
    const pen = this;
    let y = top;
    rows.forEach(function (row) {
      const lines = wrap(row.words, width - 34);
      if (row.sign) row.sign(pen, left, y + 2);
      pen.text(lines, left + 34, y + TEXT, 'start', row.kind);
      y += lines.length * LINE + 5;
    });
    return y;
  };

  /** Lines of text; kind 'strong' is bold. Returns the box it covers. */
  Pen.prototype.text = function (lines, x, y, anchor, kind) {
    const list = Array.isArray(lines) ? lines : [lines];
    const pen = this;
    list.forEach(function (line, index) {
      pen.add('text', {x: x, y: y + index * LINE, 'text-anchor': anchor || 'start', class: kind || null}, line);
    });
    return textBox(list, x, y, anchor, /strong/.test(kind || ''));
  };

  /** A line with an arrowhead at its end, or at both. */
  Pen.prototype.arrow = function (x1, y1, x2, y2, kind, both) {
    const length = Math.hypot(x2 - x1, y2 - y1) || 1;
    const along = [(x2 - x1) / length, (y2 - y1) / length];
    const size = Math.min(7, length / 2.5);
    const pen = this;
    const head = function (x, y, way) {
      const back = [x - way * along[0] * size, y - way * along[1] * size];
      const side = [-along[1] * size * 0.45, along[0] * size * 0.45];
      pen.path([[back[0] + side[0], back[1] + side[1]], [x, y], [back[0] - side[0], back[1] - side[1]]], kind + ' head').
        setAttribute('stroke-linejoin', 'miter');
    };
    this.line(x1, y1, x2, y2, kind);
    head(x2, y2, 1);
    if (both) head(x1, y1, -1);
  };

  /** A hatch pattern, so that an area does not rest on colour; returns its paint. */
  Pen.prototype.hatch = function (name, turn) {
    const id = this.id + '-' + name;
    const pattern = element('pattern', {id: id, width: 8, height: 8, patternUnits: 'userSpaceOnUse', patternTransform: 'rotate(' + (turn === undefined ? 45 : turn) + ')'});
    pattern.appendChild(element('line', {x1: 0, y1: 0, x2: 0, y2: 8, class: 'hatch ' + name}));
    const store = element('defs');
    store.appendChild(pattern);
    this.group.appendChild(store);
    return 'url(#' + id + ')';
  };

  /** An x or y axis with ticks, grid and labels. axis: {low, high, from, to, at} in px along; at is its place across. */
  Pen.prototype.axis = function (way, axis, format) {
    const across = way === 'x';
    const scale = function (value) { return axis.from + (value - axis.low) / (axis.high - axis.low) * (axis.to - axis.from); };
    const pen = this;
    axis.values.forEach(function (value) {
      const place = scale(value);
      if (across) {
        pen.line(place, axis.at, place, axis.gridTo, 'grid');
        pen.text(format(value), place, axis.at + 16, 'middle', 'tick');
      } else {
        pen.line(axis.at, place, axis.gridTo, place, 'grid');
        pen.text(format(value), axis.at - 9, place + 4, 'end', 'tick'); // clear of a point on the axis
      }
    });
    if (across) this.line(axis.from, axis.at, axis.to, axis.at, 'axis');
    else this.line(axis.at, axis.from, axis.at, axis.to, 'axis');
    return scale;
  };

  /** The drawing of one figure; made once, its contents replaced at each change. */
  function view(figure) {
    count += 1;
    const id = 'drawing-' + count;
    const svg = element('svg', {role: 'img', 'aria-labelledby': id + '-title ' + id + '-description', focusable: 'false'});
    const title = element('title', {id: id + '-title'});
    const description = element('desc', {id: id + '-description'});
    let group = element('g');
    svg.appendChild(title);
    svg.appendChild(description);
    svg.appendChild(group);
    const old = figure.querySelector('svg');
    if (old) old.parentNode.removeChild(old);
    figure.insertBefore(svg, figure.querySelector('figcaption'));
    const problem = document.createElement('p');
    problem.className = 'drawing-problem';
    problem.hidden = true;
    figure.insertBefore(problem, svg);
    const say = function (node, text) { if (node.textContent !== text) node.textContent = text; };

    return {
      /** A drawing that throws shows its reason and no picture: a wrong picture is worse than none. */
      draw: function (make, state, width) {
        const fresh = element('g');
        let made;
        let reason = '';
        let withheld = false;
        try {
          if (!make) throw new Error('its script did not load');
          family = window.getComputedStyle(svg).fontFamily || family;
          made = make(new Pen(fresh, id), state, Math.max(260, Math.min(720, width || 360)));
        } catch (fault) {
          reason = fault.message;
          withheld = fault.withheld === true;
        }
        // A sentence of the card stands as it is; a fault is named as one.
        say(problem, withheld ? reason : reason ? 'No drawing: ' + reason + '.' : '');
        problem.classList.toggle('drawing-withheld', withheld);
        problem.hidden = !reason;
        svg.classList.toggle('blank', Boolean(reason));
        if (reason) return;
        svg.setAttribute('viewBox', '0 0 ' + Math.round(made.width) + ' ' + Math.round(made.height));
        svg.setAttribute('width', String(Math.round(made.width)));
        svg.setAttribute('height', String(Math.round(made.height)));
        say(title, made.title);
        say(description, (state.stale ? 'Last good result. ' : '') + made.description);
        svg.replaceChild(fresh, group);
        group = fresh;
      }
    };
  }

  registry.helpers = {
    TEXT: TEXT,
    LINE: LINE,
    element: element,
    measure: measure,
    wrap: wrap,
    ticks: ticks,
    overlap: overlap,
    textBox: textBox,
    place: place,
    spread: spread,
    plain: plain,
    has: has,
    number: number,
    quantity: quantity,
    word: word,
    amount: amount,
    lowerFirst: lowerFirst,
    leftOut: leftOut,
    view: view
  };

  /* ---- what the page folds ---- */

  // Browsers that do it by themselves are not disturbed: open on paper, and open where a link leads.
  let opened = [];

  function folds(within) {
    return Array.prototype.slice.call(within.querySelectorAll('details.fold:not([open])'));
  }

  window.addEventListener('beforeprint', function () {
    opened = folds(document);
    opened.forEach(function (each) { each.open = true; });
  });
  window.addEventListener('afterprint', function () {
    opened.forEach(function (each) { each.open = false; });
    opened = [];
  });

  function openTarget(hash) {
    const target = hash.length > 1 ? document.getElementById(decodeURIComponent(hash.slice(1))) : null;
    const closed = target ? folds(document).filter(function (each) { return each.contains(target); }) : [];
    if (!closed.length) return;
    closed.forEach(function (each) { each.open = true; });
    target.scrollIntoView();
  }

  document.addEventListener('click', function (event) {
    const link = event.target.closest ? event.target.closest('a[href^="#"]') : null;
    if (link) openTarget(link.getAttribute('href'));
  });
  window.addEventListener('hashchange', function () { openTarget(window.location.hash); });
  document.addEventListener('DOMContentLoaded', function () { openTarget(window.location.hash); });
}());
