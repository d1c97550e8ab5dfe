/* The brief: one sheet for today's case. Loads the data of the chosen pathway (assets/data/brief-ID.js) and its calculators,
 * asks each shared input once, and lets the calculators' own runtime answer.
 *
 * The state lives in the address's fragment and nowhere else: case, on (the day it was made), without (calculators left
 * out) and every input the reader has given. Nothing is stored or sent.
 */
(function () {
  'use strict';

  const root = document.querySelector('[data-brief]');
  const runtime = window.calculatorRuntime;
  if (!root || !runtime) return;
  const form = root.querySelector('form');
  const chooser = form.elements.namedItem('case');
  const sheet = root.querySelector('.brief-sheet');
  const status = root.querySelector('.brief-status');
  const DAY = 86400000;
  const DRAWN = 300; // px; a drawing is made at one width, for screen and paper
  // An endpoint matters on paper where hands are in the eye.
  const IN_THEATRE = ['access', 'posterior segment', 'haemostasis', 'laser', 'exchange and closure'];
  // Paper: px of a column of A4 within the margins of brief.css, of the caution that stands on every page, and pt of type.
  const SIDE = 282 / 25.4 * 96;
  const CAUTION_LINE = 22;
  const USED = 0.94;
  const LARGEST = 9;
  const ONE_SIDE = 6.6; // one side is worth this size; smaller type had better have two
  const SMALLEST = 5;
  const PAUSE = 250; // ms between two writes of the address
  const marks = {};
  Array.prototype.forEach.call(document.querySelectorAll('.brief-marks > div'), function (row) {
    marks[row.getAttribute('data-mark')] = {letter: row.getAttribute('data-letter'), word: row.querySelector('dt').textContent, means: row.querySelector('dd').textContent};
  });

  let plan = null; // the pathway's data
  let on = today(); // days since 1970: the day this brief is for
  let fields = [];
  let blocks = []; // one a calculator on the sheet
  let without = [];
  let head = null;
  let frame = 0;
  let timer = 0;
  let asked = 0; // tells the answer to the last choice from one that comes late

  /* ---- small help ---- */

  function today() {
    const now = new Date();
    return Math.round(Date.UTC(now.getFullYear(), now.getMonth(), now.getDate()) / DAY);
  }

  /** An element: attributes, then children (texts or nodes; nothing for null). */
  function make(name, attributes) {
    const node = document.createElement(name);
    Object.keys(attributes || {}).forEach(function (key) {
      if (attributes[key] !== null && attributes[key] !== false) node.setAttribute(key, attributes[key] === true ? '' : attributes[key]);
    });
    fill(node, Array.prototype.slice.call(arguments, 2));
    return node;
  }

  function fill(node, children) {
    children.forEach(function (child) {
      if (Array.isArray(child)) fill(node, child);
      else if (child !== null && child !== undefined) node.appendChild(typeof child === 'string' ? document.createTextNode(child) : child);
    });
    return node;
  }

  function empty(node) {
    while (node.firstChild) node.removeChild(node.firstChild);
    return node;
  }

  function say(node, text) {
    if (node.textContent !== text) node.textContent = text;
  }

  function capital(text) {
    return text.charAt(0).toUpperCase() + text.slice(1);
  }

  /** What a statement rests on: the word on screen, its letter on paper, and the numbers of the sources. */
  function basis(found) {
    return found.map(function (each) {
      const mark = marks[each[0]];
      return ['\u00a0', make('span', {class: 'basis basis-' + (each[0] === 'common practice' ? 'practice' : each[0].replace(' ', '-')), title: mark.means},
        make('span', {class: 'mark-word'}, mark.word), make('span', {class: 'mark-letter', 'aria-hidden': 'true'}, mark.letter),
        each[1].map(function (number) {
          const source = plan.sources[number - 1];
          return [' ', make('a', {href: 'sources/' + source.id + '.html', title: source.name, 'aria-label': 'source ' + number, 'data-source': number}, String(number))];
        }))];
    });
  }

  function claim(each) {
    return make('li', {}, each.text, basis(each.marks));
  }

  function version(record) {
    return [' ', make('span', {class: 'version', title: 'Version of the clinical content'}, record.version)];
  }

  /* ---- loading ---- */

  const loading = {};

  /** A classic script, once; in the order asked for. */
  function load(address) {
    if (!loading[address]) {
      loading[address] = new Promise(function (done, failed) {
        const script = make('script', {src: address});
        script.async = false;
        script.onload = done;
        script.onerror = function () {
          delete loading[address];
          failed(new Error(address));
        };
        document.head.appendChild(script);
      });
    }
    return loading[address];
  }

  function choose(id, query) {
    const turn = asked += 1;
    chooser.value = id;
    plan = null;
    clear();
    if (!id || chooser.value !== id) {
      if (id) chooser.value = '';
      say(status, id ? 'There is no case of that name here. Choose one.' : '');
      return Promise.resolve();
    }
    say(status, 'Loading the case.');
    return load('assets/data/brief-' + id + '.js').then(function () {
      const data = window.cards.brief[id];
      return Promise.all(data.scripts.map(load)).then(function () {
        if (turn === asked) open(data, query);
      });
    }).catch(function (fault) {
      if (turn !== asked) return;
      clear();
      say(status, 'No brief: a part of the case did not load (' + fault.message + ').');
    });
  }

  function clear() {
    Array.prototype.slice.call(form.children).forEach(function (part) {
      if (!part.classList.contains('brief-case')) form.removeChild(part);
    });
    empty(sheet);
    fields = [];
    blocks = [];
    head = null;
  }

  function open(data, query) {
    plan = data;
    const day = runtime.parseDate(query.get('on'));
    on = day.problem ? today() : day.value;
    without = (query.get('without') || '').split(',').filter(function (id) { return data.calculators[id]; });
    fields = data.fields.map(function (field) { return merge(field, query); });
    makeForm();
    makeSheet();
    update();
  }

  /* ---- the inputs ---- */

  /** One field out of the inputs that share it. */
  function merge(field, query) {
    const specs = field.uses.map(function (use) { return window.calculators[use[0]].inputs[use[1]]; });
    const first = specs[0];
    const made = {key: field.key, asked: field.asked, choose: field.choose, uses: field.uses, specs: specs, kind: first.kind, label: first.label, units: [], choices: {}};
    if (made.kind === 'number') {
      // A unit is offered only if every calculator that asks takes it.
      made.units = Object.keys(first.units).filter(function (unit) { return specs.every(function (spec) { return spec.units[unit] !== undefined; }); });
    }
    specs.forEach(function (spec) {
      Object.keys(spec.choices || {}).forEach(function (key) { made.choices[key] = made.choices[key] || spec.choices[key].label; });
    });
    made.unit = made.units[0] || '';
    made.start = field.choose ? '' : made.kind === 'date' ? startDate(first.start) :
      made.kind === 'choice' || made.unit === first.unit ? String(first.start) : runtime.shortNumber(first.start / first.units[made.unit]);
    const given = query.get(field.key);
    made.given = given !== null;
    made.text = made.given ? given : made.start;
    if (made.given && query.get(field.key + '_unit') !== null) made.unit = query.get(field.key + '_unit');
    return made;
  }

  /** "today+5" counts from the day of the brief, so that a link opened later gives the same brief. */
  function startDate(start) {
    const parts = /^today(?:([+-])(\d+))?$/.exec(String(start));
    return parts ? runtime.isoDate(on + (parts[1] === '-' ? -1 : 1) * Number(parts[2] || 0)) : String(start);
  }

  function hint(field) {
    // A date field shows its figures in the browser's own order; the month in words leaves no doubt.
    if (field.kind === 'date') return runtime.parseDate(field.text).problem ? '' : shownValue(field);
    if (field.kind !== 'number') return '';
    const ranges = field.specs.map(function (spec) { return spec.units[field.unit] === undefined ? '' : runtime.rangeText(spec, field.unit); });
    const same = ranges.every(function (range) { return range === ranges[0]; });
    return same ? ranges[0] : ranges.map(function (range, index) { return range + ' (' + plan.calculators[field.uses[index][0]].title.toLowerCase() + ')'; }).join('; ');
  }

  function makeField(field) {
    const id = 'brief-' + field.key.replace('.', '-');
    const told = 'hint-' + id + ' error-' + id;
    if (field.kind === 'choice') {
      const keys = Object.keys(field.choices);
      field.control = make('select', {id: id, name: field.key, 'aria-describedby': told},
        field.choose || keys.indexOf(field.text) < 0 ? make('option', {value: ''}, 'Choose') : null,
        keys.map(function (key) { return make('option', {value: key}, field.choices[key]); }));
    } else {
      field.control = make('input', {type: field.kind === 'date' ? 'date' : 'text', inputmode: field.kind === 'date' ? null : 'decimal', id: id, name: field.key, 'aria-describedby': told});
    }
    field.control.value = field.kind === 'date' && runtime.parseDate(field.text).problem ? '' : field.text;
    field.unitControl = null;
    let unit = null;
    if (field.units.length > 1) {
      field.unitControl = unit = make('select', {name: field.key + '_unit', 'data-unit-of': field.key, 'aria-label': 'Unit of ' + field.label.toLowerCase()},
        field.units.map(function (each) { return make('option', {value: each}, each); }));
      unit.value = field.unit;
    } else if (field.unit && field.unit !== 'ratio') {
      unit = make('span', {class: 'unit'}, runtime.withUnit('2', field.unit).slice(1).trim());
    }
    field.hint = make('small', {class: 'range', id: 'hint-' + id}, hint(field));
    field.error = make('p', {class: 'field-error', id: 'error-' + id, role: 'alert', hidden: true});
    field.node = make('div', {class: 'field', 'data-field': field.key}, make('label', {for: id}, field.label),
      make('span', {class: 'entry'}, field.control, unit), field.hint, field.error);
    return field.node;
  }

  function makeForm() {
    form.appendChild(make('div', {class: 'inputs brief-asked'}, fields.filter(function (field) { return field.asked; }).map(makeField)));
    const more = make('details', {class: 'brief-more'}, make('summary', {}, 'More: what keeps its start value unless you change it'));
    Object.keys(plan.calculators).forEach(function (id) {
      const own = fields.filter(function (field) { return !field.asked && field.uses[0][0] === id; });
      if (own.length) {
        more.appendChild(make('fieldset', {'data-of': id}, make('legend', {}, plan.calculators[id].title), make('div', {class: 'inputs'}, own.map(makeField))));
      }
    });
    form.appendChild(more);
    form.appendChild(make('details', {class: 'brief-choice'}, make('summary', {}, 'Calculators on the sheet'),
      make('fieldset', {}, make('legend', {}, 'Untick what this case does not need; fewer print larger'), Object.keys(plan.calculators).map(function (id) {
        const box = make('input', {type: 'checkbox', value: id, name: 'on-sheet'});
        box.checked = without.indexOf(id) < 0;
        return make('label', {class: 'brief-tick'}, box, ' ' + plan.calculators[id].title);
      }))));
    const every = make('input', {type: 'checkbox', name: 'every'});
    every.checked = sheet.classList.contains('every');
    form.appendChild(make('label', {class: 'brief-tick'}, every, ' Show every result and figure, not only those acted on'));
    form.appendChild(make('p', {class: 'brief-actions'},
      make('button', {type: 'button', 'data-do': 'print', class: 'md-button md-button--primary'}, 'Print the brief'), ' ',
      make('button', {type: 'button', 'data-do': 'again', class: 'md-button'}, 'Start again'),
      make('span', {class: 'note'}, 'Nothing is stored or sent. The address of this page holds what you gave: copy it to open the same brief again.')));
  }

  /* ---- the sheet ---- */

  function makeSheet() {
    head = {
      day: make('p', {class: 'brief-day'}),
      old: make('p', {class: 'brief-old', role: 'alert', hidden: true}),
      given: make('p', {class: 'brief-given'}),
      left: make('p', {class: 'brief-left'}),
      sources: null
    };
    head.remade = make('button', {type: 'button', 'data-do': 'today', class: 'md-button'}, 'Make it for today');
    head.words = make('span');
    fill(head.old, [head.words, ' ', head.remade]);
    sheet.appendChild(make('header', {class: 'brief-head'}, make('h2', {}, plan.title, version(plan)), head.day, make('p', {class: 'brief-review'}, reviewWords()), head.old, head.given, head.left, legend()));
    plan.stages.forEach(function (stage) {
      sheet.appendChild(make('section', {class: 'brief-stage', 'aria-label': capital(stage.stage)},
        make('h3', {}, capital(stage.stage)), make('p', {class: 'brief-aim'}, stage.aim),
        checks('Have', 'have', stage.have), checks('Stop if', 'stop', stage.stop),
        make('div', {class: 'brief-calculators'}, stage.calculators.map(makeBlock)),
        make('div', {class: 'brief-cards'}, stage.cards.map(function (card) { return makeCard(card, IN_THEATRE.indexOf(stage.stage) >= 0); }))));
    });
    if (plan.local) {
      sheet.appendChild(make('section', {class: 'brief-local', 'aria-label': 'Local values'}, make('h3', {}, 'Local values'),
        make('ul', {class: 'claims local-values'}, plan.local.map(function (words) { return make('li', {}, words); }))));
    }
    head.sources = make('p', {class: 'brief-sources'});
    sheet.appendChild(make('footer', {class: 'brief-foot'}, make('h3', {}, 'Sources'), head.sources));
  }

  function checks(title, kind, claims) {
    return claims.length ? make('div', {class: 'brief-checks'}, make('p', {class: 'cue'}, title), make('ul', {class: 'claims ' + (kind === 'have' ? 'equipment' : 'stop')}, claims.map(claim))) : null;
  }

  function makeCard(card, inTheatre) {
    return make('article', {class: 'brief-card', 'data-card': card.id},
      make('h4', {}, make('a', {href: 'techniques/' + card.id + '.html'}, card.title), version(card)),
      card.numbers.length ? make('dl', {class: 'brief-numbers'}, card.numbers.map(function (number) {
        return make('div', {class: number.aside ? 'aside' : null}, make('dt', {}, number.label), ' ',
          make('dd', {}, make('a', {class: 'figure', href: 'techniques/' + card.id + '.html#quantity-' + number.key}, number.amount), basis(number.marks)));
      })) : null,
      make('p', {class: 'brief-until' + (inTheatre ? '' : ' aside')}, make('span', {class: 'cue'}, 'Done when'), ' ', card.until.text, basis(card.until.marks)),
      make('p', {class: 'brief-caution'}, make('span', {class: 'cue'}, 'Caution'), ' ', card.caution.text, basis(card.caution.marks)));
  }

  function makeBlock(id) {
    const data = plan.calculators[id];
    const definition = window.calculators[id];
    const block = {id: id, data: data, outputs: {}, verdicts: [], view: null, result: null, key: '', changed: false};
    block.none = make('p', {class: 'stale-note', hidden: true});
    block.results = make('div', {class: 'brief-results'});
    let group = null;
    data.outputs.forEach(function (output) {
      const spec = definition.outputs[output.name];
      if (!group || group.title !== output.group) {
        group = {title: output.group, heading: output.group ? make('p', {class: 'cue aside'}, output.group) : null, list: make('dl', {class: 'brief-list'})};
        fill(block.results, [group.heading, group.list]);
      }
      if (output.main && group.heading) group.heading.classList.remove('aside');
      const shown = {name: output.name, spec: spec, value: make('output', {name: output.name}), why: make('span', {class: 'withheld', hidden: true})};
      group.list.appendChild(make('div', {class: output.main ? 'main' : 'aside'}, make('dt', {}, spec.label), ' ', make('dd', {}, shown.value, basis(output.marks), shown.why)));
      block.outputs[output.name] = shown;
    });
    block.verdicts = data.verdicts.map(function (verdict) {
      const values = [];
      const words = verdict.say.map(function (piece) {
        if (typeof piece === 'string') return piece;
        const node = make('span', {'data-value-of': piece[0]});
        values.push({node: node, name: piece[0]});
        return node;
      });
      return {node: make('li', {class: 'verdict verdict-' + verdict.level, hidden: true}, make('strong', {class: 'level'}, capital(verdict.level)), ' ', words, basis(verdict.marks)), values: values};
    });
    block.figure = data.drawing ? make('figure', {class: 'drawing', 'data-drawing': data.drawing}) : null;
    block.taken = make('p', {class: 'brief-with'});
    block.node = make('article', {class: 'brief-calculator calculator', 'data-calculator-scope': id},
      make('h4', {}, make('a', {href: 'calculators/' + id + '.html'}, data.title), version(data)),
      block.none, make('ul', {class: 'verdicts'}, block.verdicts.map(function (verdict) { return verdict.node; })), block.results, block.figure, block.taken);
    blocks.push(block);
    return block.node;
  }

  function legend() {
    return make('p', {class: 'brief-legend'}, Object.keys(marks).map(function (key, index) {
      return [index ? '; ' : '', make('b', {}, marks[key].letter), ' ' + marks[key].word];
    }), '. A number beside a mark is the source.');
  }

  function records() {
    return [plan].concat(plan.stages.reduce(function (all, stage) { return all.concat(stage.cards); }, []),
      Object.keys(plan.calculators).map(function (id) { return plan.calculators[id]; }));
  }

  /** When the cards are due to be looked at again: the soonest of them, by the reader's own clock. */
  function reviewWords() {
    const all = records();
    const signed = all.filter(function (each) { return each.signedOff; });
    const lapsed = signed.filter(function (each) { return each.lapsed; });
    const dues = signed.filter(function (each) { return !each.lapsed; }).map(function (each) {
      const parts = each.signedOff.split('-').map(Number);
      const months = parts[1] - 1 + each.months;
      const last = new Date(Date.UTC(parts[0], months + 1, 0)).getUTCDate(); // a month may be too short for the day
      return {title: each.title, day: Math.round(Date.UTC(parts[0], months, Math.min(parts[2], last)) / DAY)};
    }).sort(function (a, b) { return a.day - b.day; });
    const words = [];
    if (lapsed.length) words.push('Sign-off lapsed, for they have changed since: ' + lapsed.map(function (each) { return each.title; }).join(', ') + '.');
    if (signed.length < all.length) words.push('Not yet signed off: ' + (all.length - signed.length) + ' of its ' + all.length + ' cards and calculators.');
    if (dues.length) words.push((dues[0].day < today() ? 'Overdue for review since ' : 'Stale after ') + runtime.formatDate(dues[0].day) + ' (' + dues[0].title + ').');
    return words.join(' ');
  }

  /* ---- answering ---- */

  function shownValue(field) {
    if (field.kind === 'choice') return field.choices[field.text] || 'not given';
    if (field.kind === 'date') {
      const read = runtime.parseDate(field.text);
      return read.problem ? 'not given' : runtime.formatDate(read.value);
    }
    return field.text.trim() === '' ? 'not given' : runtime.withUnit(field.text.trim(), field.unit);
  }

  function list(chosen) {
    return chosen.map(function (field) { return field.label + ': ' + shownValue(field); }).join('; ');
  }

  function isOn(id) {
    return without.indexOf(id) < 0;
  }

  function inUse(field) {
    return field.uses.some(function (use) { return isOn(use[0]); });
  }

  /** Every calculator on what stands in the fields; a refused one gives its reason and no number. */
  function update() {
    let answered = 0;
    const told = fields.map(function () { return []; });
    blocks.forEach(function (block) {
      const id = block.id;
      block.node.hidden = !isOn(id);
      if (!isOn(id)) return;
      const raw = {};
      const at = {};
      fields.forEach(function (field, index) {
        field.uses.forEach(function (use) {
          if (use[0] !== id) return;
          at[use[1]] = index;
          raw[use[1]] = field.text;
          if (field.kind === 'number') raw[use[1] + '_unit'] = field.unit;
        });
      });
      const key = JSON.stringify(raw);
      if (key !== block.key) {
        block.key = key;
        block.changed = true;
        block.result = runtime.sheet(id, raw);
      }
      const reasons = Object.keys(block.result.errors).map(function (name) {
        if (at[name] === undefined) return capital(block.result.errors[name]);
        told[at[name]].push({title: block.data.title, words: block.result.errors[name]});
        return fields[at[name]].label + ': ' + block.result.errors[name];
      });
      if (!reasons.length) answered += 1;
      if (block.changed) showBlock(block, reasons);
      say(block.taken, given(id));
    });
    fields.forEach(function (field, index) { showError(field, told[index]); });
    showHead(answered);
    if (!frame) frame = window.requestAnimationFrame(draw);
  }

  /** What a calculator took beside the inputs of the case. */
  function given(id) {
    const own = fields.filter(function (field) { return !field.asked && field.uses[0][0] === id; });
    const start = own.filter(function (field) { return !field.given; });
    const changed = own.filter(function (field) { return field.given; });
    return [changed.length ? 'Given: ' + list(changed) + '.' : '', start.length ? 'Start values: ' + list(start) + '.' : ''].join(' ').trim();
  }

  function showBlock(block, reasons) {
    const result = block.result;
    const none = reasons.length > 0;
    block.node.classList.toggle('stale', none);
    block.none.hidden = !none;
    say(block.none, none ? 'No answer. ' + reasons.join(' ') : '');
    Object.keys(block.outputs).forEach(function (name) {
      const shown = block.outputs[name];
      const why = none ? '' : result.withheld[name] || '';
      const bare = none || why;
      const text = bare ? '\u2013' : result.text(name);
      say(shown.value, bare ? text : shown.spec.kind === 'clock' ? text + '\u00a0o\u2019clock' : runtime.withUnit(text, shown.spec.unit));
      if (bare) shown.value.removeAttribute('data-value');
      else shown.value.setAttribute('data-value', shown.spec.kind === 'date' ? runtime.isoDate(result.values[name]) : String(result.values[name]));
      say(shown.why, why ? ' ' + why : '');
      shown.why.hidden = !why;
    });
    block.verdicts.forEach(function (verdict, index) {
      verdict.node.hidden = none || !result.verdicts[index];
      verdict.values.forEach(function (value) { say(value.node, none ? '' : result.text(value.name)); });
    });
    if (block.figure) block.figure.hidden = none;
  }

  /** The message beside a field: whose it is, where others accept the same value. */
  function showError(field, told) {
    const uses = field.uses.filter(function (use) { return isOn(use[0]); });
    const same = told.length === uses.length && told.every(function (each) { return each.words === told[0].words; });
    // A choice not made yet is no mistake: the sheet says what waits for it.
    const waiting = field.choose && !field.given;
    const words = !told.length || waiting ? '' : same ? told[0].words : told.map(function (each) { return each.title + ': ' + each.words; }).join(' ');
    field.node.hidden = !inUse(field);
    if (words) field.control.setAttribute('aria-invalid', 'true');
    else field.control.removeAttribute('aria-invalid');
    say(field.error, words);
    field.error.hidden = !words;
    const more = field.node.closest('details');
    if (words && more) more.open = true;
  }

  function showHead(answered) {
    const old = on !== today();
    const shown = fields.filter(inUse);
    const reader = shown.filter(function (field) { return field.given; });
    const left = shown.filter(function (field) { return field.asked && !field.given && !field.choose; });
    const missing = shown.filter(function (field) { return field.choose && !field.given; });
    say(head.day, 'Made on ' + runtime.formatDate(on) + ', for that day only. Printed or saved, it is stale the day after.');
    head.old.hidden = !old;
    say(head.words, old ? 'This brief is of ' + runtime.formatDate(on) + '. Today is ' + runtime.formatDate(today()) + ': do not work from it.' : '');
    say(head.given, (reader.length ? 'Given: ' + list(reader) + '.' : 'Nothing given yet.') + (missing.length ? ' Not chosen: ' + missing.map(function (field) { return field.label.toLowerCase(); }).join(', ') + '.' : ''));
    say(head.left, left.length ? 'Not given, start value taken: ' + list(left) + '.' : '');
    const total = blocks.filter(function (block) { return isOn(block.id); }).length;
    say(status, answered === total ? 'All ' + total + ' calculators answer.' : answered + ' of ' + total + ' calculators answer; the others say why not.');
    Array.prototype.forEach.call(form.querySelectorAll('fieldset[data-of]'), function (part) { part.hidden = !isOn(part.getAttribute('data-of')); });
    showSources();
  }

  /** Sources by short name; those that no printed line names stay off the paper. */
  function showSources() {
    const used = {};
    Array.prototype.forEach.call(sheet.querySelectorAll('[data-source]'), function (link) {
      const block = link.closest('[data-calculator-scope]');
      if (block && block.hidden) return;
      const number = link.getAttribute('data-source');
      used[number] = used[number] || !(link.closest('.aside') || link.closest('.verdict[hidden]'));
    });
    const key = JSON.stringify(used);
    if (key === head.cited) return;
    head.cited = key;
    fill(empty(head.sources), Object.keys(used).map(Number).sort(function (a, b) { return a - b; }).map(function (number) {
      const source = plan.sources[number - 1];
      const others = source.name.split(' and others');
      return make('span', {class: used[number] ? null : 'aside'}, make('b', {}, String(number)), '\u00a0',
        make('a', {href: 'sources/' + source.id + '.html'}, others[0], others.length > 1 ? [make('span', {class: 'mark-word'}, ' and others'), others[1]] : null),
        make('span', {class: 'mark-word'}, ' (' + source.marks.map(function (mark) { return marks[mark].word; }).join(', ') + ')'),
        make('span', {class: 'mark-letter'}, '\u00a0' + source.marks.map(function (mark) { return marks[mark].letter; }).join('')), '; ');
    }));
  }

  function draw() {
    frame = 0;
    const drawings = window.calculatorDrawings;
    if (!drawings || !drawings.helpers) return;
    blocks.forEach(function (block) {
      if (!block.changed || !block.figure || block.node.hidden || block.figure.hidden) return;
      block.changed = false;
      if (!block.view) block.view = drawings.helpers.view(block.figure);
      block.view.draw(drawings[block.data.drawing], block.result.drawingState(), DRAWN);
    });
  }

  /* ---- paper ---- */

  /** Dresses the sheet for paper and sets its type as large as one side takes, else two. */
  function toPaper() {
    if (!plan || !head || sheet.classList.contains('paper')) return;
    if (frame) {
      window.cancelAnimationFrame(frame);
      draw();
    }
    sheet.classList.add('paper');
    sheet.classList.add('measured');
    const fits = function (size, sides) {
      sheet.style.fontSize = size + 'pt';
      const top = sheet.querySelector('.brief-head').offsetHeight;
      // A box that may not break leaves the foot of its column empty: USED is what a column holds.
      return sheet.offsetHeight - top <= (sides * SIDE - top - CAUTION_LINE * (1 + document.querySelectorAll('.clock-line').length)) * 4 * USED;
    };
    const largest = function (sides, least) {
      if (!fits(least, sides)) return 0;
      let low = least;
      let high = LARGEST;
      while (high - low > 0.06) {
        const middle = (low + high) / 2;
        if (fits(middle, sides)) low = middle;
        else high = middle;
      }
      return low;
    };
    sheet.style.fontSize = (largest(1, ONE_SIDE) || largest(2, SMALLEST) || SMALLEST).toFixed(2) + 'pt';
    sheet.classList.remove('measured');
  }

  function toScreen() {
    sheet.classList.remove('paper');
    sheet.style.fontSize = '';
  }

  /* ---- the address ---- */

  function fragment() {
    const query = new URLSearchParams();
    if (!plan) return '';
    query.set('case', plan.id);
    query.set('on', runtime.isoDate(on));
    if (without.length) query.set('without', without.join(','));
    fields.forEach(function (field) {
      if (!field.given) return;
      query.set(field.key, field.text);
      if (field.units.length > 1 && field.unit !== field.units[0]) query.set(field.key + '_unit', field.unit);
    });
    return '#' + query.toString();
  }

  function writeAddress() {
    window.clearTimeout(timer);
    timer = 0;
    const wanted = fragment();
    if (wanted === window.location.hash) return;
    try {
      window.history.replaceState(window.history.state, '', window.location.pathname + window.location.search + wanted);
    } catch (refused) {
      // Some viewers forbid it; the brief works, without a link that holds it.
    }
  }

  function later() {
    if (!timer) timer = window.setTimeout(writeAddress, PAUSE);
  }

  function readAddress() {
    const query = new URLSearchParams(window.location.hash.slice(1));
    // Any other fragment is a place in the page.
    return query.has('case') ? choose(query.get('case'), query) : plan ? null : choose('', query);
  }

  /* ---- what the reader does ---- */

  function changeUnit(field, unit) {
    const read = runtime.parseNumber(field.text);
    const units = field.specs[0].units;
    if (!read.problem && units[field.unit] !== undefined) field.text = runtime.shortNumber(read.value * units[field.unit] / units[unit]);
    field.unit = unit;
    field.control.value = field.text;
    say(field.hint, hint(field));
  }

  function edited(event) {
    const target = event.target;
    if (target.name === 'every') {
      sheet.classList.toggle('every', target.checked);
      return;
    }
    if (target.name === 'on-sheet') {
      without = Array.prototype.filter.call(form.elements, function (box) { return box.name === 'on-sheet' && !box.checked; }).map(function (box) { return box.value; });
    } else {
      const field = fields.filter(function (each) { return each.control === target || each.unitControl === target; })[0];
      if (!field) return;
      // Browsers send both input and change for a list or a date.
      if (target === field.unitControl ? target.value === field.unit : target.value === field.text && field.given) return;
      if (target === field.unitControl) {
        changeUnit(field, target.value);
      } else {
        field.text = target.value;
        field.given = true;
        say(field.hint, hint(field));
      }
    }
    update();
    later();
  }

  function pressed(event) {
    const button = event.target.closest('[data-do]');
    if (!button || !plan) return;
    const what = button.getAttribute('data-do');
    if (what === 'print') {
      writeAddress();
      window.print();
      return;
    }
    const query = what === 'again' ? new URLSearchParams() : new URLSearchParams(fragment().slice(1));
    query.delete('on');
    choose(plan.id, query).then(writeAddress);
  }

  form.addEventListener('input', edited);
  form.addEventListener('change', function (event) {
    if (event.target === chooser) choose(chooser.value, new URLSearchParams()).then(writeAddress);
    else edited(event);
  });
  form.addEventListener('submit', function (event) { event.preventDefault(); });
  root.addEventListener('click', pressed);
  window.addEventListener('hashchange', function () { if (window.location.hash !== fragment()) readAddress(); });
  window.addEventListener('pagehide', function () { if (timer) writeAddress(); });
  // A page left open overnight must not pass for today's.
  const wake = function () { if (plan && head && head.old.hidden === (on !== today())) update(); };
  document.addEventListener('visibilitychange', wake);
  window.addEventListener('beforeprint', function () {
    wake();
    toPaper();
  });
  window.addEventListener('afterprint', toScreen);
  window.setInterval(wake, 60000);

  root.querySelector('.brief-off').hidden = true;
  form.hidden = false;
  readAddress();
}());
