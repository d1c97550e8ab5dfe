/* What changed on a card since this reader read it: two snapshots of memory.js compared, and the panel that tells it.
 * Loaded only on a card that has changed. A number is known by its key; all else by its words. */
(function () {
  'use strict';
  const memory = window.cards.memory, make = memory.make, count = memory.count, MARK = memory.mark, PARTS = memory.parts;
  const RANK = {practice: 0, memory: 1, secondary: 2, abstract: 3, 'full-text': 4};
  // Words that come and go without a change of meaning. None that denies, limits or orders.
  const SMALL = /^(a|an|the|this|that|these|those|it|its|is|are|was|were|be|been|so|which|there)$/;


  // --- comparing ---------------------------------------------------------------------------------------------------

  function firmest(found) { return Math.max.apply(null, [-1].concat(found.map(function (m) { return m[0] in RANK ? RANK[m[0]] : -1; }))); }
  function names(found) { return JSON.stringify(found.map(function (m) { return [m[0], m[2].slice().sort(), m[3]]; })); }
  function flags(found) { return found.map(function (m) { return m[3]; }).filter(Boolean); }

  function bare(text) {
    return text.toLowerCase().replace(/[^\p{L}\p{N}.%°µ\s-]/gu, '').split(/[\s-]+/).map(function (w) { return w.replace(/\.+$/, ''); })
      .filter(function (w) { return w && !SMALL.test(w); });
  }

  /** same; wording (the same words but for small ones, case and punctuation); or other. */
  function compareText(was, now) {
    return was === now ? 'same' : bare(was).join(' ') === bare(now).join(' ') ? 'wording' : 'other';
  }

  /** What became of the marks: '' if nothing that counts. */
  function compareMarks(was, now) {
    if (flags(now).join() !== flags(was).join() && flags(now).length) return flags(now)[0];
    if (firmest(now) < firmest(was)) return 'weaker standing';
    if (firmest(now) > firmest(was)) return 'firmer standing';
    return names(was) === names(now) ? '' : 'other sources';
  }

  /** [[figure as it was, as it is], ...] of a sentence in which nothing but figures changed; else null. */
  function onlyFigures(was, now) {
    const a = was.split(MARK), b = now.split(MARK), out = [];
    if (a.length !== b.length) return null;
    for (let n = 0; n < a.length; n++) {
      if (a[n] !== b[n] && n % 2) out.push([a[n], b[n]]);
      else if (a[n] !== b[n]) return null;
    }
    return out;
  }

  function isWarning(fate) { return fate === 'weaker standing' || /^source /.test(fate); }

  function likeness(a, b) {
    const x = bare(a.join(' ')), y = new Map();
    bare(b.join(' ')).forEach(function (w) { y.set(w, (y.get(w) || 0) + 1); });
    const all = x.length + Array.from(y.values()).reduce(function (s, n) { return s + n; }, 0);
    let shared = 0;
    x.forEach(function (w) { if (y.get(w) > 0) { shared++; y.set(w, y.get(w) - 1); } });
    return all ? 2 * shared / all : 0;
  }

  /** Which old item is which new one: equal ones first, then the likest. Gives new index -> old index. */
  function pair(before, after) {
    const found = new Map(), used = new Set(), likely = [];
    const take = function (i, j) { if (!used.has(i) && !found.has(j)) { found.set(j, i); used.add(i); } };
    after.forEach(function (b, j) {
      const i = before.findIndex(function (a, n) { return !used.has(n) && a[0].join('\n') === b[0].join('\n'); });
      if (i >= 0) take(i, j);
    });
    after.forEach(function (b, j) {
      before.forEach(function (a, i) {
        const like = used.has(i) || found.has(j) ? 0 : likeness(a[0], b[0]);
        if (like >= 0.5) likely.push([like, i, j]);
      });
    });
    likely.sort(function (x, y) { return y[0] - x[0] || Math.abs(x[1] - x[2]) - Math.abs(y[1] - y[2]); });
    likely.forEach(function (x) { take(x[1], x[2]); });
    return found;
  }

  /** The new indexes of items that left their place among the others: all but the longest run still in order. */
  function moved(found) {
    const order = Array.from(found).sort(function (a, b) { return a[0] - b[0]; });
    const runs = [];
    order.forEach(function (x, n) {
      let best = [];
      for (let m = 0; m < n; m++) if (order[m][1] < x[1] && runs[m].length > best.length) best = runs[m];
      runs.push(best.concat(n));
    });
    const longest = runs.reduce(function (a, b) { return b.length > a.length ? b : a; }, []);
    return new Set(order.filter(function (x, n) { return !longest.includes(n); }).map(function (x) { return x[0]; }));
  }

  /** [{level: warning, change or wording; place: node or null; section; name; what; was: [[cue, text, marks]], now;
   *    used: [[name, node]]}] */
  function compare(old, seen) {
    const out = [], now = seen.now, nodes = seen.nodes;
    const add = function (level, section, place, name, what, was, is) {
      out.push({level: level, section: section, place: place, name: name, what: what, was: was || [], now: is || [], used: []});
    };
    const figures = new Map(); // as it was and as it is -> the change of that number
    const left = new Map(old.numbers.map(function (n) { return [n[0], n]; }));
    const line = function (n) { return [['', n[2], n[3]]]; };
    now.numbers.forEach(function (n, j) {
      // A number keeps its key; one that was given another key keeps its label.
      const was = left.get(n[0]) || Array.from(left.values()).find(function (o) { return o[1] === n[1] && !now.numbers.some(function (m) { return m[0] === o[0]; }); });
      const place = nodes.numbers[j];
      if (!was) { add('change', 'key-numbers', place, n[1], 'new number', [], line(n)); return; }
      left.delete(was[0]);
      const fate = compareMarks(was[3], n[3]), label = compareText(was[1], n[1]);
      if (was[2] !== n[2]) {
        add(isWarning(fate) ? 'warning' : 'change', 'key-numbers', place, n[1], fate && fate !== 'other sources' ? 'figure changed, ' + fate : 'figure changed', line(was), line(n));
        figures.set(was[2] + '\n' + n[2], out[out.length - 1]);
      } else if (fate) add(isWarning(fate) ? 'warning' : 'change', 'key-numbers', place, n[1], fate, line(was), line(n));
      if (label !== 'same') add(label === 'wording' ? 'wording' : 'change', 'key-numbers', place, n[1], 'label changed', [['', was[1]]], [['', n[1]]]);
    });
    left.forEach(function (n) { add('change', 'key-numbers', null, n[1], 'number removed', line(n)); });

    PARTS.forEach(function (part) {
      const section = part[0], before = old.parts[section] || [], after = now.parts[section];
      const cues = part[3] ? Object.values(part[3]) : [''];
      const whole = function (item) {
        return item[0].map(function (t, k) { return [cues[k], t]; }).filter(function (x) { return x[1]; }).map(function (x, k, all) { return k === all.length - 1 ? [x[0], x[1], item[1]] : x; });
      };
      const found = pair(before, after), kept = new Set(found.values());
      const strayed = section === 'steps' ? moved(found) : new Set();
      after.forEach(function (b, j) {
        const place = nodes.parts[section][j], name = section === 'steps' ? 'Step ' + (j + 1) : part[1];
        if (!found.has(j)) { add('change', section, place, name, 'new', [], whole(b)); return; }
        const a = before[found.get(j)], fate = compareMarks(a[1], b[1]);
        const fates = b[0].map(function (t, k) { return compareText(a[0][k] || '', t); });
        const differ = fates.map(function (f, k) { return f === 'same' ? -1 : k; }).filter(function (k) { return k >= 0; });
        const list = function (item) { return differ.map(function (k) { return [cues[k], item[0][k] || '']; }); };
        if (strayed.has(j)) add('change', section, place, name, 'was step ' + (found.get(j) + 1), [], [['', b[0][0]]]);
        // A sentence that only repeats a number told above is told with it.
        const repeats = differ.map(function (k) { return onlyFigures(a[0][k] || '', b[0][k]); });
        const told = repeats.every(Boolean) ? [].concat.apply([], repeats).map(function (p) { return figures.get(p.join('\n')); }) : [null];
        if (differ.length && told.every(Boolean)) new Set(told).forEach(function (c) { c.used.push([name, place]); });
        else if (differ.length) add(fates.includes('other') ? 'change' : 'wording', section, place, name, fates.includes('other') ? 'changed' : 'reworded', list(a), list(b));
        if (fate) add(isWarning(fate) ? 'warning' : 'change', section, place, name, fate, [['', b[0][0].slice(0, 90) + (b[0][0].length > 90 ? '…' : ''), a[1]]], [['', '', b[1]]]);
      });
      before.forEach(function (a, i) {
        const grave = section === 'cautions' || section === 'when-not';
        if (!kept.has(i)) add(grave ? 'warning' : 'change', section, null, section === 'steps' ? 'Step ' + (i + 1) + ' as it was' : part[1], 'removed', whole(a));
      });
    });
    return out;
  }

  // --- telling ------------------------------------------------------------------------------------------

  function showMarks(found) {
    return (found || []).map(function (m) {
      return make('span', 'basis basis-' + m[0], [m[1] + (m[2].length ? ' ' + m[2].join('; ') : '')].concat(m[3] ? [' ', make('strong', 'flag', m[3])] : []));
    });
  }

  /** The words of b that are not in a, in their order, set apart. */
  function apart(a, b, tag) {
    const x = a.split(' '), y = b.split(' '), table = [];
    for (let i = x.length; i >= 0; i--) {
      table[i] = [];
      for (let j = y.length; j >= 0; j--) {
        table[i][j] = i === x.length || j === y.length ? 0 : x[i] === y[j] ? table[i + 1][j + 1] + 1 : Math.max(table[i + 1][j], table[i][j + 1]);
      }
    }
    const out = [];
    let i = 0, j = 0, run = [];
    const flush = function () { if (run.length) out.push(make(tag, '', run.join(' ')), ' '); run = []; };
    while (j < y.length) {
      if (i < x.length && x[i] === y[j]) { flush(); out.push(y[j] + ' '); i++; j++; }
      else if (i < x.length && table[i + 1][j] >= table[i][j + 1]) i++;
      else run.push(y[j++]);
    }
    flush();
    return out;
  }

  function showLines(title, lines, others, tag) {
    if (!lines.length) return [];
    return [make('div', tag === 'del' ? 'was' : 'now', [make('span', 'cue', title)].concat(lines.map(function (l, n) {
      const text = l[1].split(MARK).join(''), other = others.length === lines.length && others[n][1] ? others[n][1].split(MARK).join('') : '';
      const inside = likeness([other], [text]) >= 0.5 && other !== text ? apart(other, text, tag) : [text + ' '];
      return make('p', '', (l[0] ? [make('span', 'part', l[0] + ': ')] : []).concat(inside, showMarks(l[2])));
    })))];
  }

  function showUsed(used) {
    const links = [];
    used.forEach(function (u, n) {
      const link = make('a', '', u[0]);
      link.href = '#' + u[1].id;
      links.push(n ? ', ' : 'Said again in ', link);
    });
    return links.length ? [make('p', 'used', links)] : [];
  }

  function showChange(c) {
    const target = c.place || document.getElementById(c.section);
    const name = target ? make('a', '', c.name) : make('span', '', c.name);
    if (target) name.href = '#' + target.id;
    return make('li', 'change change-' + c.level, [make('p', 'what', [].concat(c.level === 'warning' ? [make('strong', 'level', 'Warning'), ' '] : [], name, ': ' + c.what))]
      .concat(showLines('Was', c.was, c.now, 'del'), showLines('Now', c.now, c.was, 'ins'), showUsed(c.used)));
  }

  /** Fills the panel. old: the snapshot as it was kept, or null; seen: the page's own; on: the date in words; done: called when all is read. */
  memory.showChanges = function (panel, old, seen, on, done) {
    let changes = null;
    try {
      changes = old && old.form === memory.form ? compare(old, seen) : null;
      (changes || []).forEach(function (c) { c.row = showChange(c); });
    } catch (error) {
      changes = null; // not what we stored
    }
    const rows = function (found) { return make('ul', 'changes', found.map(function (c) { return c.row; })); };
    const of = function (level) { return (changes || []).filter(function (c) { return c.level === level; }); };
    const warnings = of('warning'), others = of('change'), wording = of('wording'), main = warnings.concat(others);
    const sum = [warnings.length && count(warnings.length, 'warning'), others.length && count(others.length, 'change'), wording.length && wording.length + ' in wording only'].filter(Boolean);
    panel.replaceChildren(make('h2', '', 'Changed since you read it'), make('p', 'sum', 'You read this card on ' + on + '. ' + (
      !changes ? 'It has changed since, but this browser did not keep what it said then.'
        : sum.length ? 'Since then: ' + sum.join(', ') + '.'
          : 'Its numbers, words and standings are as you read them; a smaller thing behind them changed, such as the page cited in a source.')));
    if (main.length) panel.append(rows(main));
    if (wording.length) panel.append(make('details', '', [make('summary', '', 'In wording only: ' + wording.length), rows(wording)]));
    panel.append(memory.button('I have read what changed', done));
    document.querySelectorAll('.since').forEach(function (n) { n.remove(); });
    main.forEach(function (c) {
      // Beside the place itself too, for a reader who comes to it from elsewhere.
      const was = c.section === 'key-numbers' && c.what.startsWith('figure changed');
      if (c.place) (c.place.querySelector('dd') || c.place).append(make('span', 'since', was ? 'was ' + c.was[0][1] : c.what));
    });
    panel.hidden = false;
  };
}());
