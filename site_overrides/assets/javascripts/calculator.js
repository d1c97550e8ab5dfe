/* The calculators' runtime: reads a form, refuses bad input, shows results and asks for the drawing.
 *
 * A definition (assets/calculators/ID.js) registers itself in window.calculators, before or after this script.
 * Numbers are in each input's own unit, dates are whole days since 1970-01-01 UTC, choices are their keys.
 * Nothing is stored or sent; the address bar's query holds the inputs.
 */
(function () {
  'use strict';

  const MINUS = '\u2212';
  const DASH = '\u2013';
  const DAY = 86400000;
  const FIRST_YEAR = 1900;
  const LAST_YEAR = 2200;
  const QUERY_PAUSE = 350; // ms; browsers refuse more than about 100 history writes in 30 s
  const WEEKDAYS = ['Sun', 'Mon', 'Tue', 'Wed', 'Thu', 'Fri', 'Sat'];
  const MONTHS = ['Jan', 'Feb', 'Mar', 'Apr', 'May', 'Jun', 'Jul', 'Aug', 'Sep', 'Oct', 'Nov', 'Dec'];

  /* ---- numbers ---- */

  /** Text to a number: {value} or {problem: 'empty' | 'text' | 'overflow'}; thousands is set when a comma may group digits. */
  function parseNumber(text) {
    const trimmed = String(text === null || text === undefined ? '' : text).trim();
    if (trimmed === '') return {problem: 'empty'};
    const plain = trimmed.replace(MINUS, '-').replace(',', '.');
    if (!/^[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d{1,4})?$/i.test(plain)) return {problem: 'text'};
    const value = Number(plain);
    if (!Number.isFinite(value)) return {problem: 'overflow'};
    const read = {value: value};
    if (/^[+-]?[1-9]\d{0,2},\d{3}$/.test(trimmed.replace(MINUS, '-'))) read.thousands = value * 1000;
    return read;
  }

  /** Decimal text with a dot and a true minus. Rounds at 15 significant digits, halves away from zero, so that binary
   *  representation does not change the last digit a reader would work out by hand. */
  function formatNumber(value, decimals) {
    const places = decimals === undefined || decimals === null ? 0 : decimals;
    const parts = Math.abs(value).toExponential(14).split('e');
    const scaled = Math.round(Number(parts[0] + 'e' + (Number(parts[1]) + places)));
    let text;
    if (Math.abs(value) >= 1e15) text = Math.abs(value).toExponential(6);
    else if (scaled > Number.MAX_SAFE_INTEGER) text = Math.abs(value).toFixed(places);
    else text = Number(scaled + 'e-' + places).toFixed(places);
    const negative = value < 0 && /[1-9]/.test(text);
    return (negative ? MINUS : '') + text;
  }

  /** A number at up to six significant digits, in the form a reader could type again. */
  function shortNumber(value) {
    return String(Number(value.toPrecision(6)));
  }

  /** A value as the reader knows it: exact when short, six significant digits when not. */
  function plainNumber(value) {
    const exact = String(value);
    return (exact.length <= 10 ? exact : shortNumber(value)).replace('-', MINUS);
  }

  /** A limit in another unit at four significant digits, rounded into the range so that a stated limit is always accepted. */
  function inward(value, upward) {
    if (value === 0) return 0;
    const near = Number(value.toPrecision(4));
    if (upward ? near >= value : near <= value) return near;
    const step = Number('1e' + (Math.floor(Math.log10(Math.abs(value))) - 3));
    return Number((near + (upward ? step : -step)).toPrecision(4));
  }

  /** A unit that is a word as it stands after this figure: "1 disc diameter", "2 disc diameters". */
  function unitWord(text, unit) {
    const word = /^(clock hour|disc diameter|disc area|burn width|burn|day|degree|dioptre|eye|hour|letter|line|month|patient|point|week|year)s?$/.exec(unit);
    return word ? word[1] + (text === '1' ? '' : 's') : unit;
  }

  function withUnit(text, unit) {
    if (!unit || unit === 'ratio') return text;
    return text + (unit === '%' || unit === '\u00b0' || unit === '\u00b0C' ? '' : '\u00a0') + unitWord(text, unit);
  }

  /* ---- dates and clock hours ---- */

  /** ISO date text to days since 1970-01-01: {value} or {problem: 'empty' | 'text' | 'absent' | 'range'}. */
  function parseDate(text) {
    const trimmed = String(text === null || text === undefined ? '' : text).trim();
    if (trimmed === '') return {problem: 'empty'};
    const parts = /^(\d{4})-(\d{2})-(\d{2})$/.exec(trimmed);
    if (!parts) return {problem: 'text'};
    const year = Number(parts[1]);
    const month = Number(parts[2]);
    const day = Number(parts[3]);
    const date = new Date(0);
    date.setUTCFullYear(year, month - 1, day);
    if (date.getUTCFullYear() !== year || date.getUTCMonth() !== month - 1 || date.getUTCDate() !== day) {
      return {problem: 'absent'};
    }
    if (year < FIRST_YEAR || year > LAST_YEAR) return {problem: 'range'};
    return {value: Math.round(date.getTime() / DAY)};
  }

  function toDate(days) {
    return new Date(Math.floor(days) * DAY);
  }

  function isoDate(days) {
    return toDate(days).toISOString().slice(0, 10);
  }

  /** "Fri 20 Nov 2026". */
  function formatDate(days) {
    const date = toDate(days);
    return WEEKDAYS[date.getUTCDay()] + ' ' + date.getUTCDate() + ' ' + MONTHS[date.getUTCMonth()] + ' ' +
      String(date.getUTCFullYear()).padStart(4, '0');
  }

  /** A start value ("today", "today+5", "2026-11-20") to ISO text; today is the reader's own calendar day. */
  function startDate(start) {
    const text = String(start === null || start === undefined ? '' : start);
    const parts = /^today(?:([+-])(\d+))?$/.exec(text.replace(/\s+/g, ''));
    if (!parts) return text;
    const now = new Date();
    const today = Math.round(Date.UTC(now.getFullYear(), now.getMonth(), now.getDate()) / DAY);
    return isoDate(today + (parts[1] === '-' ? -1 : 1) * Number(parts[2] || 0));
  }

  /** Clock hours to "9:30"; 0 and 12 are both "12:00". */
  function formatClock(hours) {
    const minutes = ((Math.round(hours * 60) % 720) + 720) % 720;
    const hour = Math.floor(minutes / 60);
    return (hour === 0 ? 12 : hour) + ':' + String(minutes % 60).padStart(2, '0');
  }

  /* ---- reading one input ---- */

  function ownUnit(spec) {
    return spec.unit || '';
  }

  /** Factor from a unit to the input's own; undefined when the input does not offer the unit. */
  function factorOf(spec, unit) {
    if (unit === ownUnit(spec)) return 1;
    return spec.units && Object.prototype.hasOwnProperty.call(spec.units, unit) ? spec.units[unit] : undefined;
  }

  function rangeText(spec, unit) {
    const factor = factorOf(spec, unit) || 1;
    const low = Number.isFinite(spec.low) ? spec.low : null;
    const high = Number.isFinite(spec.high) ? spec.high : null;
    const show = function (limit, upward) {
      return String(factor === 1 ? limit : inward(limit / factor, upward)).replace('-', MINUS);
    };
    if (low === null && high === null) return withUnit('any number', unit);
    if (low === null) return 'at most ' + withUnit(show(high, false), unit);
    if (high === null) return 'at least ' + withUnit(show(low, true), unit);
    return show(low, true) + ' to ' + withUnit(show(high, false), unit);
  }

  function sentence(text) {
    const trimmed = String(text || '').trim();
    return trimmed === '' || /[.!?]$/.test(trimmed) ? trimmed : trimmed + '.';
  }

  function quoted(text) {
    const trimmed = String(text).trim();
    return '\u201c' + (trimmed.length > 24 ? trimmed.slice(0, 23) + '\u2026' : trimmed) + '\u201d';
  }

  function readNumber(spec, text, unit, shownUnit) {
    const factor = factorOf(spec, unit);
    const why = spec.why ? ' ' + sentence(spec.why) : '';
    if (factor === undefined) {
      const known = Object.keys(spec.units || {});
      return {error: quoted(unit) + ' is not a unit offered here. Choose ' +
        (known.length ? known.join(', ') : ownUnit(spec)) + '.'};
    }
    const seen = factorOf(spec, shownUnit) === undefined ? unit : shownUnit;
    const range = rangeText(spec, seen);
    const ask = 'Enter a number, ' + range + '.' + why;
    const read = parseNumber(text);
    if (read.problem === 'empty') return {error: ask};
    if (read.problem === 'text') return {error: quoted(text) + ' is not a number. ' + ask};
    if (read.problem === 'overflow') return {error: quoted(text) + ' is too large. ' + ask};
    const within = function (value) {
      return Number.isFinite(value) && !(value < spec.low) && !(value > spec.high);
    };
    const value = read.value * factor;
    // "1,000" is one to some readers and a thousand to others: refused where both would pass.
    if (read.thousands !== undefined && within(value) && within(read.thousands * factor)) {
      return {error: quoted(text) + ' can be read as ' + read.value + ' or as ' + read.thousands +
        '. Write it with a dot, or without the comma. ' + ask};
    }
    if (!within(value)) {
      const typed = seen === unit ? String(text).trim() : shortNumber(value / factorOf(spec, seen));
      return {error: withUnit(typed.length > 24 ? typed.slice(0, 23) + '\u2026' : typed, seen) +
        ' is outside the range. Enter ' + range + '.' + why};
    }
    return {value: value === 0 ? 0 : value}; // no negative zero
  }

  function readDate(text) {
    const read = parseDate(text);
    if (read.problem === 'empty') return {error: 'Enter a date that exists, with day, month and year.'};
    if (read.problem === 'text') return {error: quoted(text) + ' is not a date. Write it as year-month-day, such as 2026-11-20.'};
    if (read.problem === 'absent') return {error: quoted(text) + ' does not exist in the calendar. Enter another date.'};
    if (read.problem === 'range') {
      return {error: quoted(text) + ' is outside the range. Enter a date from ' + FIRST_YEAR + ' to ' + LAST_YEAR + '.'};
    }
    return read;
  }

  function readChoice(spec, text) {
    if (Object.prototype.hasOwnProperty.call(spec.choices, text)) return {value: text};
    const labels = Object.keys(spec.choices).map(function (key) { return spec.choices[key].label || key; });
    return {error: (text === '' ? 'Choose' : quoted(text) + ' is not a choice here. Choose') + ' one of: ' + labels.join(', ') + '.'};
  }

  /** One input's text to {value} or {error}. unit is the one typed in, shownUnit the one now chosen. */
  function readInput(spec, text, unit, shownUnit) {
    if (spec.kind === 'choice') return readChoice(spec, String(text));
    if (spec.kind === 'date') return readDate(text);
    return readNumber(spec, text, unit, shownUnit);
  }

  function startText(spec) {
    if (spec.start === null || spec.start === undefined) return '';
    return spec.kind === 'date' ? startDate(spec.start) : String(spec.start);
  }

  /* ---- computing ---- */

  /** Results outside the range they hold in: {name: the sentence that stands in their place}. */
  function withheldBy(definition, values) {
    const withheld = {};
    const rules = definition.withheld || {};
    Object.keys(rules).forEach(function (name) {
      const failing = rules[name].filter(function (rule) { return !rule.test(values); })[0];
      if (failing) withheld[name] = sentence(failing.say);
    });
    return withheld;
  }

  /** Inputs to {values, withheld}, outputs as the formulas give them and unchecked, a withheld one NaN; {error} if the card refuses. */
  function run(definition, given) {
    const values = Object.assign({}, definition.constants);
    Object.keys(definition.inputs).forEach(function (name) {
      const spec = definition.inputs[name];
      if (spec.kind === 'choice') Object.assign(values, spec.choices[given[name]].sets);
    });
    Object.assign(values, given);
    const refusals = (definition.refusals || []).filter(function (refusal) { return refusal.test(values); });
    if (refusals.length) return {refusals: refusals};
    const results = definition.compute(values);
    Object.keys(definition.outputs).forEach(function (name) { values[name] = results[name]; });
    const withheld = withheldBy(definition, values);
    Object.keys(withheld).forEach(function (name) { values[name] = NaN; });
    return {values: values, withheld: withheld};
  }

  /** Inputs to {values, verdicts, withheld}, or {refused: input name -> sentence} when they contradict each other,
   *  or {error} when any result that is not withheld is no finite number: nothing is shown then. */
  function evaluate(definition, given) {
    try {
      const found = run(definition, given);
      if (found.refusals) {
        const refused = {};
        found.refusals.forEach(function (refusal) {
          refused[refusal.input] = (refused[refusal.input] ? refused[refusal.input] + ' ' : '') + sentence(refusal.say);
        });
        return {refused: refused};
      }
      const values = found.values;
      const bad = Object.keys(definition.outputs).filter(function (name) {
        const value = values[name];
        if (found.withheld[name]) return false;
        if (typeof value !== 'number' || !Number.isFinite(value)) return true;
        return definition.outputs[name].kind === 'date' && Math.abs(value) > 2e6;
      });
      if (bad.length) {
        return {error: 'with these values ' + bad.map(function (name) {
          return definition.outputs[name].label || name;
        }).join(', ') + ' cannot be worked out.'};
      }
      const verdicts = (definition.verdicts || []).map(function (test) { return Boolean(test(values)); });
      return {values: values, verdicts: verdicts, withheld: found.withheld};
    } catch (fault) {
      return {error: 'these values cannot be worked out.'};
    }
  }

  function definitionOf(id) {
    const all = window.calculators || {};
    return Object.prototype.hasOwnProperty.call(all, id) ? all[id] : undefined;
  }

  /** Input texts by name (and NAME_unit) to an evaluation, or {errors}; one left out takes its start. */
  function answer(definition, raw) {
    const texts = raw || {};
    const given = {};
    const errors = {};
    Object.keys(definition.inputs).forEach(function (name) {
      const spec = definition.inputs[name];
      const unit = texts[name + '_unit'] === undefined ? ownUnit(spec) : String(texts[name + '_unit']);
      const read = readInput(spec, texts[name] === undefined ? startText(spec) : texts[name], unit, unit);
      if (read.error) errors[name] = read.error;
      else given[name] = read.value;
    });
    if (Object.keys(errors).length) return {errors: errors};
    const result = evaluate(definition, given);
    if (result.refused) return {errors: result.refused};
    return result.error ? {errors: {'': result.error}} : result;
  }

  /** For tests and other pages. raw: input texts by name (and NAME_unit); one left out takes its start.
   *  Returns {values, verdicts, withheld, errors}; a withheld result is absent from values and has its sentence in withheld;
   *  errors by input name, or under '' when the values together are refused. */
  function compute(id, raw) {
    const definition = definitionOf(id);
    if (!definition) throw new Error('no calculator ' + id);
    const result = answer(definition, raw);
    if (result.errors) return {values: null, verdicts: null, withheld: null, errors: result.errors};
    const values = {};
    Object.keys(result.values).forEach(function (name) {
      // A list, such as the theatre days, is the formulas' own affair.
      if (!result.withheld[name] && !Array.isArray(result.values[name])) values[name] = result.values[name];
    });
    return {values: values, verdicts: result.verdicts, withheld: result.withheld, errors: {}};
  }

  /** A named value as text, without unit. */
  function showValue(definition, name, values) {
    const value = values[name];
    const spec = definition.inputs[name] || definition.outputs[name];
    if (Number.isNaN(value)) return DASH; // withheld
    if (typeof value !== 'number') {
      return spec && spec.choices && spec.choices[value] ? spec.choices[value].label : String(value);
    }
    if (spec && spec.kind === 'date') return formatDate(value);
    if (spec && spec.kind === 'clock') return formatClock(value);
    return definition.outputs[name] ? formatNumber(value, definition.outputs[name].decimals) : plainNumber(value);
  }

  /* ---- the calendar file ---- */

  /** A line of RFC 5545 with a break before every 75th octet, never inside a character. */
  function folded(line) {
    const octets = function (text) { return encodeURIComponent(text).replace(/%../g, '.').length; };
    const pieces = [];
    let current = '';
    Array.from(line).forEach(function (char) {
      if (octets(current + char) > (pieces.length ? 74 : 75)) {
        pieces.push(current);
        current = '';
      }
      current += char;
    });
    return pieces.concat([current]).join('\r\n ');
  }

  function calendarWords(text) {
    return text.replace(/\\/g, '\\\\').replace(/;/g, '\\;').replace(/,/g, '\\,').replace(/\r?\n/g, '\\n');
  }

  /** Both days of the calendar entry, or null while there is none: a date withheld, or an end before the start. */
  function calendarDays(definition, values) {
    const plan = definition.calendar;
    if (!plan) return null;
    const first = Math.floor(values[plan.from]);
    const last = Math.floor(values[plan.to]);
    return first <= last ? {first: first, last: last} : null;
  }

  /** An RFC 5545 calendar with one all-day entry, both days included. caution: words for its description; now: a Date. */
  function calendarText(definition, days, caution, now) {
    const basic = function (day) { return isoDate(day).replace(/-/g, ''); };
    const lines = ['BEGIN:VCALENDAR', 'VERSION:2.0', 'PRODID:-//technique cards//calculator//EN', 'CALSCALE:GREGORIAN', 'BEGIN:VEVENT',
      'UID:' + definition.id + '-' + basic(days.first) + '-' + basic(days.last) + '@technique-cards',
      'DTSTAMP:' + now.toISOString().replace(/[-:]|\.\d+/g, ''),
      'DTSTART;VALUE=DATE:' + basic(days.first),
      'DTEND;VALUE=DATE:' + basic(days.last + 1), // the end of an all-day entry is the day after it
      'SUMMARY:' + calendarWords(definition.calendar.title)];
    if (caution) lines.push('DESCRIPTION:' + calendarWords(caution));
    lines.push('TRANSP:TRANSPARENT', 'END:VEVENT', 'END:VCALENDAR');
    return lines.map(function (line) { return folded(line) + '\r\n'; }).join('');
  }

  /** The caution that stands on every page. */
  function cautionOfPage() {
    const line = document.querySelector('.caution-line');
    return line ? line.textContent.replace(/\s+/g, ' ').trim() : '';
  }

  /** For tests: the calendar file of a calculator as text, or null if there is none for these inputs. */
  function calendar(id, raw) {
    const definition = definitionOf(id);
    if (!definition) throw new Error('no calculator ' + id);
    const result = answer(definition, raw);
    const days = result.errors ? null : calendarDays(definition, result.values);
    return days ? calendarText(definition, days, cautionOfPage(), new Date()) : null;
  }

  /* ---- the page ---- */

  function setText(node, text) {
    if (node.textContent !== text) node.textContent = text;
  }

  function all(root, selector) {
    return Array.prototype.slice.call(root.querySelectorAll(selector));
  }

  /** A number in `unit` whose product with the factor is the value again, to the last bit where one exists. */
  function exactIn(value, factor) {
    const near = value / factor;
    const step = Math.abs(near) * Number.EPSILON / 2;
    const tries = [near, near + step, near - step, near + 2 * step, near - 2 * step];
    const exact = tries.filter(function (candidate) { return candidate * factor === value; });
    return exact.length ? exact[0] : near;
  }

  function Calculator(form, definition) {
    this.form = form;
    this.definition = definition;
    this.scope = form.closest('[data-calculator-scope]') || form.closest('article') || document.body;
    this.results = form.querySelector('.results');
    this.outputs = all(form, 'output[name]').filter(function (node) { return definition.outputs[node.name]; });
    this.verdicts = all(form, '[data-verdict]');
    this.substituted = all(this.scope, '[data-value-of]').map(function (node) {
      return {node: node, name: node.getAttribute('data-value-of'), blank: node.textContent};
    });
    this.equations = all(this.scope, '[data-substituted]');
    this.withheld = this.findWithheld();
    this.calendars = definition.calendar ? all(form, 'button[data-calendar]') : [];
    this.notes = [];
    this.last = null; // last good {values, verdicts, withheld}
    this.frame = 0;
    this.queryTimer = 0;
    this.queryAt = -Infinity;
    this.fields = this.findFields();
    this.figures = all(form, 'figure[data-drawing]').map(this.prepareFigure, this);
    if (this.results) this.addNote(this.results);
  }

  Calculator.prototype.findFields = function () {
    const form = this.form;
    const definition = this.definition;
    return Object.keys(definition.inputs).map(function (name) {
      const spec = definition.inputs[name];
      const control = form.elements.namedItem(name);
      if (!control) throw new Error('calculator ' + definition.id + ' has no field ' + name);
      const range = form.querySelector('#range-' + name);
      let words = null;
      if (spec.kind === 'date') {
        // A date field shows its figures in the browser's own order; the month in words leaves no doubt.
        words = document.createElement('small');
        words.className = 'range date-words';
        words.id = 'words-' + name;
        control.setAttribute('aria-describedby', (words.id + ' ' + (control.getAttribute('aria-describedby') || '')).trim());
        const entry = control.closest('.entry') || control;
        entry.parentNode.insertBefore(words, entry.nextSibling);
      }
      return {
        words: words,
        name: name,
        spec: spec,
        control: control,
        unitControl: form.elements.namedItem(name + '_unit'),
        range: range,
        rangeNodes: range ? Array.prototype.slice.call(range.childNodes) : [],
        error: form.querySelector('#error-' + name),
        text: '', // as typed, the one source of the value
        unit: '', // the unit it was typed in
        shownUnit: '' // the unit now chosen
      };
    });
  };

  /** Where the sentence of a withheld result goes; made where the page has no place for it. */
  Calculator.prototype.findWithheld = function () {
    const form = this.form;
    return this.outputs.filter(function (node) { return (this.definition.withheld || {})[node.name]; }, this).map(function (node) {
      const result = node.closest('.result') || node.parentNode;
      let words = all(form, '[data-withheld]').filter(function (each) { return each.getAttribute('data-withheld') === node.name; })[0];
      if (!words) {
        words = document.createElement('span');
        words.className = 'withheld';
        words.setAttribute('data-withheld', node.name);
        result.appendChild(words);
      }
      return {name: node.name, result: result, node: words};
    });
  };

  Calculator.prototype.prepareFigure = function (node) {
    const calculator = this;
    const figure = {node: node, name: node.getAttribute('data-drawing'), view: null, width: 0};
    this.addNote(node);
    if (window.ResizeObserver) {
      new window.ResizeObserver(function () {
        if (Math.abs(node.clientWidth - figure.width) > 1) calculator.schedule();
      }).observe(node);
    }
    return figure;
  };

  /** The words that say a result is old; a colour alone would not. */
  Calculator.prototype.addNote = function (parent) {
    const note = document.createElement('p');
    note.className = 'stale-note';
    note.hidden = true;
    parent.insertBefore(note, parent.firstChild);
    this.notes.push(note);
  };

  /** Puts one input's text and unit in its field. */
  Calculator.prototype.fill = function (field, text, unit) {
    const own = ownUnit(field.spec);
    field.text = text;
    field.unit = unit === null ? own : unit;
    field.shownUnit = field.unit;
    if (field.unitControl) {
      field.unitControl.value = field.unit;
    } else if (unit !== null && unit !== own && factorOf(field.spec, unit) !== undefined) {
      // No unit list on the page: show the same quantity in the only unit the page names.
      field.shownUnit = own;
    }
    // A date field takes no date that does not exist; its text is kept for the message.
    field.control.value = field.spec.kind === 'date' && parseDate(text).problem ? '' : this.shownText(field);
    this.showRange(field);
  };

  /** What stands in the field: the typed text, or the same quantity in the unit now chosen. */
  Calculator.prototype.shownText = function (field) {
    if (field.spec.kind !== 'number') return field.text;
    const read = parseNumber(field.text);
    const from = factorOf(field.spec, field.unit);
    const to = factorOf(field.spec, field.shownUnit);
    if (read.problem || from === undefined || to === undefined) return field.text;
    if (field.unit !== field.shownUnit) return shortNumber(read.value * from / to);
    // A link written after a unit change carries every digit; the field shows six of them.
    return to !== 1 && field.text.length > 12 ? shortNumber(read.value) : field.text;
  };

  Calculator.prototype.showRange = function (field) {
    if (!field.range || field.spec.kind !== 'number') return;
    const own = field.shownUnit === ownUnit(field.spec) || factorOf(field.spec, field.shownUnit) === undefined;
    while (field.range.firstChild) field.range.removeChild(field.range.firstChild);
    // The page's own words stay: they may hold a link.
    if (!own) field.range.appendChild(document.createTextNode(rangeText(field.spec, field.shownUnit) + '; that is '));
    field.rangeNodes.forEach(function (node) { field.range.appendChild(node); });
  };

  Calculator.prototype.load = function (query) {
    this.fields.forEach(function (field) {
      const given = query.get(field.name);
      this.fill(field, given === null ? startText(field.spec) : given, given === null ? null : query.get(field.name + '_unit'));
      if (given === null && query.get(field.name + '_unit') !== null) this.changeUnit(field, query.get(field.name + '_unit'));
    }, this);
    this.update();
  };

  /** The quantity stays, the figure changes; text that is no number is taken in the new unit. */
  Calculator.prototype.changeUnit = function (field, unit) {
    if (parseNumber(field.text).problem || factorOf(field.spec, field.unit) === undefined) field.unit = unit;
    field.shownUnit = unit;
    if (field.unitControl && field.unitControl.value !== unit) field.unitControl.value = unit;
    field.control.value = this.shownText(field);
    this.showRange(field);
  };

  Calculator.prototype.edited = function (target) {
    const field = this.fields.filter(function (each) {
      return each.control === target || each.unitControl === target;
    })[0];
    if (!field) return;
    if (target === field.unitControl) {
      this.changeUnit(field, target.value);
    } else {
      field.text = target.value;
      field.unit = field.shownUnit;
      if (field.unitControl && field.spec.kind === 'number') field.unit = field.shownUnit = field.unitControl.value || field.shownUnit;
    }
    this.update();
    this.scheduleQuery();
  };

  /** Reads every field, then shows either the new result or that there is none. Synchronous but for the drawing. */
  Calculator.prototype.update = function () {
    const given = {};
    let wrong = 0;
    this.fields.forEach(function (field) {
      let read = readInput(field.spec, field.text, field.unit, field.shownUnit);
      if (field.spec.kind === 'number' && !read.error && factorOf(field.spec, field.shownUnit) === undefined) {
        read = readNumber(field.spec, field.text, field.shownUnit, field.shownUnit);
      }
      if (read.error) wrong += 1;
      else given[field.name] = read.value;
      this.showError(field, read.error || '');
      if (field.words) setText(field.words, read.error ? '' : formatDate(read.value));
    }, this);
    const result = wrong ? {error: ''} : evaluate(this.definition, given);
    this.fields.forEach(function (field) {
      if (result.refused && result.refused[field.name]) this.showError(field, result.refused[field.name]);
    }, this);
    if (result.values) this.showResult(result);
    else this.showNone(result.error);
    this.schedule();
  };

  Calculator.prototype.showError = function (field, message) {
    if (message) field.control.setAttribute('aria-invalid', 'true');
    else field.control.removeAttribute('aria-invalid');
    if (!field.error) return;
    setText(field.error, message);
    field.error.hidden = !message;
  };

  Calculator.prototype.setStale = function (stale, words) {
    this.stale = stale;
    [this.results].concat(this.figures.map(function (figure) { return figure.node; }), this.equations).forEach(function (node) {
      if (node) node.classList.toggle('stale', stale);
    });
    this.notes.forEach(function (note) {
      setText(note, words);
      note.hidden = !words;
    });
  };

  Calculator.prototype.showResult = function (result) {
    const definition = this.definition;
    this.last = result;
    this.setStale(false, '');
    this.outputs.forEach(function (node) {
      const value = result.values[node.name];
      if (result.withheld[node.name]) node.removeAttribute('data-value');
      else node.setAttribute('data-value', definition.outputs[node.name].kind === 'date' ? isoDate(value) : String(value));
      setText(node, showValue(definition, node.name, result.values));
    });
    this.substituted.forEach(function (each) {
      setText(each.node, result.values[each.name] === undefined ? each.blank : showValue(definition, each.name, result.values));
    });
    this.verdicts.forEach(function (node) {
      node.hidden = !result.verdicts[Number(node.getAttribute('data-verdict'))];
    });
    this.withheld.forEach(function (each) {
      setText(each.node, result.withheld[each.name] || '');
      each.result.classList.toggle('result-withheld', Boolean(result.withheld[each.name]));
    });
    this.calendars.forEach(function (button) { button.disabled = !calendarDays(definition, result.values); });
  };

  Calculator.prototype.showNone = function (reason) {
    const last = this.last;
    const words = last ? 'Last good result' : 'No result yet';
    this.setStale(true, words + ': ' + (reason || 'correct the marked field.'));
    this.outputs.forEach(function (node) {
      node.removeAttribute('data-value');
      if (!last) setText(node, DASH);
    });
    // The equations stand for the reader's present numbers, so they go back to blanks.
    this.substituted.forEach(function (each) { setText(each.node, each.blank); });
    this.verdicts.forEach(function (node) { node.hidden = true; });
    this.calendars.forEach(function (button) { button.disabled = true; });
  };

  /** Hands the reader the calendar file; it is made here, and goes nowhere else. */
  Calculator.prototype.saveCalendar = function () {
    const days = this.stale || !this.last ? null : calendarDays(this.definition, this.last.values);
    if (!days) return;
    const text = calendarText(this.definition, days, cautionOfPage(), new Date());
    const address = window.URL.createObjectURL(new window.Blob([text], {type: 'text/calendar;charset=utf-8'}));
    const link = document.createElement('a');
    link.href = address;
    link.download = this.definition.id + '-' + isoDate(days.first) + '.ics';
    document.body.appendChild(link);
    link.click();
    document.body.removeChild(link);
    window.setTimeout(function () { window.URL.revokeObjectURL(address); }, 10000);
  };

  /* ---- the drawing ---- */

  Calculator.prototype.schedule = function () {
    const calculator = this;
    if (this.frame || !this.figures.length) return;
    this.frame = window.requestAnimationFrame(function () {
      calculator.frame = 0;
      calculator.draw();
    });
  };

  /** What a drawing may ask: values, texts and units by name or role, and the formulas at other inputs. */
  Calculator.prototype.drawingState = function () {
    const definition = this.definition;
    const values = this.last.values;
    const fields = this.fields;
    const given = {};
    Object.keys(definition.inputs).forEach(function (name) { given[name] = values[name]; });
    const labels = definition.constantLabels || {};
    const specOf = function (name) { return definition.inputs[name] || definition.outputs[name] || {}; };
    const state = {
      definition: definition,
      values: values,
      stale: this.stale,
      withheld: this.last.withheld, // sentences by name; their values are NaN
      label: function (name) {
        const words = String(name).replace(/[_-]+/g, ' ');
        return labels[name] || specOf(name).label || words.charAt(0).toUpperCase() + words.slice(1);
      },
      text: function (name) { return showValue(definition, name, values); },
      textOf: function (name, value) { return showValue(definition, name, {[name]: value}); },
      isInput: function (name) { return Boolean(definition.inputs[name]); },
      unit: function (name) { return (definition.constantUnits || {})[name] || specOf(name).unit || ''; },
      /** The unit the reader has chosen for an input: {name, factor}. */
      chosenUnit: function (name) {
        const field = fields.filter(function (each) { return each.name === name; })[0];
        const factor = field ? factorOf(field.spec, field.shownUnit) : undefined;
        return factor === undefined ? {name: state.unit(name), factor: 1} : {name: field.shownUnit, factor: factor};
      },
      nameOf: function (role) { return (definition.roles || {})[role]; },
      role: function (role) {
        const name = state.nameOf(role);
        return name === undefined ? undefined : values[name];
      },
      at: function (changes) {
        try {
          return run(definition, Object.assign({}, given, changes)).values || null;
        } catch (fault) {
          return null;
        }
      },
      formatDate: formatDate,
      formatClock: formatClock,
      plainNumber: plainNumber,
      withUnit: withUnit
    };
    return state;
  };

  Calculator.prototype.draw = function () {
    const drawings = window.calculatorDrawings;
    if (!drawings || !drawings.helpers) return;
    if (!this.last) {
      return; // the note in the figure says why there is nothing
    }
    const state = this.drawingState();
    this.figures.forEach(function (figure) {
      figure.width = figure.node.clientWidth;
      if (!figure.view) figure.view = drawings.helpers.view(figure.node);
      figure.view.draw(drawings[figure.name], state, figure.width);
    });
  };

  /* ---- the address ---- */

  Calculator.prototype.scheduleQuery = function () {
    const calculator = this;
    if (this.queryTimer) return;
    const wait = Math.max(0, this.queryAt + QUERY_PAUSE - performance.now());
    this.queryTimer = window.setTimeout(function () { calculator.writeQuery(); }, wait);
  };

  Calculator.prototype.writeQuery = function () {
    window.clearTimeout(this.queryTimer);
    this.queryTimer = 0;
    this.queryAt = performance.now();
    const query = new URLSearchParams(window.location.search);
    this.fields.forEach(function (field) {
      const own = ownUnit(field.spec);
      const to = factorOf(field.spec, field.shownUnit);
      const from = factorOf(field.spec, field.unit);
      const read = field.spec.kind === 'number' ? parseNumber(field.text) : {problem: 'text'};
      const convert = !read.problem && field.unit !== field.shownUnit && to !== undefined && from !== undefined;
      query.set(field.name, convert ? String(exactIn(read.value * from, to)) : field.text);
      if (field.shownUnit && field.shownUnit !== own) query.set(field.name + '_unit', field.shownUnit);
      else query.delete(field.name + '_unit');
    });
    try {
      window.history.replaceState(window.history.state, '', '?' + query.toString() + window.location.hash);
    } catch (refused) {
      // file:// and some embedded viewers forbid it; the calculator works without.
    }
  };

  Calculator.prototype.listen = function () {
    const calculator = this;
    this.form.addEventListener('input', function (event) { calculator.edited(event.target); });
    this.form.addEventListener('change', function (event) {
      // Some browsers send only this one for a list or a date.
      const field = calculator.fields.filter(function (each) {
        return each.control === event.target && each.spec.kind !== 'number' && each.text !== event.target.value ||
          each.unitControl === event.target && each.shownUnit !== event.target.value;
      })[0];
      if (field) calculator.edited(event.target);
    });
    this.calendars.forEach(function (button) {
      button.addEventListener('click', function () { calculator.saveCalendar(); });
    });
    this.form.addEventListener('submit', function (event) { event.preventDefault(); });
    this.form.addEventListener('reset', function (event) {
      event.preventDefault();
      calculator.load(new URLSearchParams(''));
      calculator.scheduleQuery();
    });
    window.addEventListener('pagehide', function () { if (calculator.queryTimer) calculator.writeQuery(); });
  };

  /** Brings one form to life; safe to call twice. Returns false while its definition has not loaded. */
  function attach(form) {
    if (form.calculatorReady) return true;
    const definition = definitionOf(form.getAttribute('data-calculator'));
    if (!definition) return false;
    form.calculatorReady = true;
    const calculator = new Calculator(form, definition);
    calculator.listen();
    calculator.load(new URLSearchParams(window.location.search));
    return true;
  }

  function attachAll() {
    return all(document, 'form[data-calculator]').filter(function (form) { return !attach(form); });
  }

  function begin() {
    if (!attachAll().length) return;
    window.addEventListener('load', function () {
      attachAll().forEach(function (form) {
        const results = form.querySelector('.results') || form;
        const note = document.createElement('p');
        note.className = 'stale-note';
        note.textContent = 'No result: the script of this calculator did not load.';
        results.insertBefore(note, results.firstChild);
      });
    });
  }

  /** For a page that shows several calculators at once (the brief): like compute, with the texts as a page shows them.
   *  {errors} if refused; else {errors: {}, values, verdicts, withheld, text(name) without unit, drawingState()}. */
  function sheet(id, raw) {
    const definition = definitionOf(id);
    if (!definition) throw new Error('no calculator ' + id);
    const result = answer(definition, raw);
    if (result.errors) return {errors: result.errors};
    const fields = Object.keys(definition.inputs).map(function (name) {
      const spec = definition.inputs[name];
      return {name: name, spec: spec, shownUnit: (raw || {})[name + '_unit'] || ownUnit(spec)};
    });
    return {
      errors: {},
      values: result.values,
      verdicts: result.verdicts,
      withheld: result.withheld,
      text: function (name) { return showValue(definition, name, result.values); },
      drawingState: function () {
        return Calculator.prototype.drawingState.call({definition: definition, last: result, fields: fields, stale: false});
      }
    };
  }

  window.calculatorRuntime = {
    compute: compute,
    sheet: sheet,
    rangeText: rangeText,
    withUnit: withUnit,
    shortNumber: shortNumber,
    isoDate: isoDate,
    calendar: calendar,
    parseNumber: parseNumber,
    parseDate: parseDate,
    formatNumber: formatNumber,
    formatDate: formatDate,
    formatClock: formatClock,
    attach: attach
  };

  if (document.readyState === 'loading') document.addEventListener('DOMContentLoaded', begin);
  else begin();
}());
