/* Search that knows the trade: what is typed, ranked over the records and the index that the builder writes.
 *
 * The builder (builder/render/searching.py) folds every word of the cards to one form; this folds what is typed by the same
 * rules, which come with the records. A word counts by how rare it is and where it stands in a record; a name of a glossary
 * term stands for all its names; a whole name that was typed counts beyond its words; a word that is nowhere is taken for
 * the nearest that is. Records that hold more of what was typed come first.
 */
(function () {
  'use strict';

  const [NUMBER, CITED, TERM] = [3, 4, 5]; // as the builder counts the kinds

  /** The engine over the two data files. search: text -> {results, near: words taken for another, unknown: words left out, asked}. */
  function rank(data, index) {
    const { records, kinds, rules } = data;
    const words = index.words.split('\n');
    const packed = index.at.split('\n');
    const stop = new Set(rules.stop);
    const asksNumber = new Set(rules.number);
    const replacements = (pairs) => pairs.map(([p, by]) => [new RegExp(p, 'g'), by.replace(/\\(\d)/g, '$$$1')]);
    const spelling = replacements(rules.spelling);
    const endings = replacements(rules.endings);
    const swap = (word, pairs) => pairs.reduce((w, [p, by]) => w.replace(p, by), word);

    /** A word's form while it is still being typed (in one spelling), and whole (without its ending). */
    function forms(word) {
      const known = Object.hasOwn(rules.table, word) ? rules.table[word] : word;
      if (/^\d/.test(known)) return [known, known];
      const spelt = swap(known, spelling);
      return [spelt, swap(spelt, endings)];
    }

    /** The words of a text: [{raw, spelt, form}], stop words left out unless there is nothing else. */
    function tokens(text) {
      const plain = text.replace(/[µμ]/g, 'u').normalize('NFKD').replace(/\p{M}/gu, '').replace(/['’]/g, '');
      const found = plain.match(/\d+(?:\.\d+)?|\p{L}+(?:\d+[\p{L}\d]*)?/gu) || [];
      const kept = found.filter((w) => !stop.has(w.toLowerCase()) || (w.length > 1 && w === w.toUpperCase()));
      return (kept.length ? kept : found).map((w) => {
        const raw = w.toLowerCase();
        const [spelt, form] = forms(raw);
        return { raw, spelt, form };
      });
    }

    function firstNotBefore(key) {
      let low = 0;
      let high = words.length;
      while (low < high) {
        const middle = (low + high) >> 1;
        if (words[middle] < key) low = middle + 1;
        else high = middle;
      }
      return low;
    }

    function place(key) {
      const at = firstNotBefore(key);
      return words[at] === key ? at : -1;
    }

    function beginningWith(start, most) {
      const found = [];
      for (let at = firstNotBefore(start); at < words.length && words[at].startsWith(start) && found.length < most; at += 1) found.push(at);
      return found;
    }

    const opened = new Map();

    /** The records of a key with their weights, from 0 to 1: [number, weight, number, weight, ...]. */
    function postings(at) {
      let found = opened.get(at);
      if (!found) {
        found = [];
        let n = 0;
        let step = 0;
        for (let i = 0; i < packed[at].length; i += 1) {
          const code = packed[at].charCodeAt(i);
          if (code >= 65 && code <= 90) {
            n += step;
            step = 0;
            found.push(n, (code - 65) / 25);
          } else {
            step = step * 36 + code - (code < 58 ? 48 : 87);
          }
        }
        opened.set(at, found);
      }
      return found;
    }

    const rarity = (at) => Math.log(1 + records.length / (0.5 + postings(at).length / 2));

    /** Words of the index with the fewest slips between them and a word: {slips, found: [places]}. */
    function near(word) {
      const most = word.length < 5 ? 1 : 2;
      let least = word.length < 4 ? 0 : most;
      let found = [];
      if (least) {
        for (let at = 0; at < words.length; at += 1) {
          const other = words[at];
          if (Math.abs(other.length - word.length) > least || other.length < 3 || other[0] === '=' || other[0] === '~') continue;
          const d = slips(word, other, least);
          if (d < least) found = [];
          if (d <= least) {
            least = d;
            found.push(at);
          }
        }
        const alike = found.filter((at) => words[at][0] === word[0]);
        if (alike.length) found = alike;
      }
      return { slips: least, found };
    }

    function search(text) {
      const typed = tokens(text);
      const typing = /[\p{L}\d]$/u.test(text);
      const last = typed.length - 1;
      const nearly = [];
      const unknown = [];
      const matched = typed.map(() => new Float32Array(records.length)); // a word -> record -> how well, 0 to 1
      const weight = typed.map(() => 0); // how much a word says: rare words say more

      function hit(i, at, share, importance) {
        weight[i] = Math.max(weight[i], importance);
        const here = matched[i];
        const found = postings(at);
        for (let k = 0; k < found.length; k += 2) if (found[k + 1] * share > here[found[k]]) here[found[k]] = found[k + 1] * share;
      }

      /** For a word that is not in the index: a slip of the finger, or a longer form of a word that is. */
      function mend(word, i) {
        let { slips: count, found } = near(word.form);
        if (!found.length || count > 1) {
          for (let cut = 1; cut <= 3 && word.spelt.length - cut >= 4; cut += 1) {
            const at = place(word.spelt.slice(0, -cut));
            if (at >= 0) {
              [count, found] = [1, [at]];
              break;
            }
          }
        }
        for (const at of found) hit(i, at, 1 - 0.2 * count, rarity(at));
        if (!found.length) unknown.push(word.raw);
        else {
          nearly.push(word.raw);
          const likeliest = found.reduce((a, b) => (postings(b).length > postings(a).length ? b : a));
          word.form = words[likeliest];
          word.spelt = word.form;
        }
      }

      typed.forEach((word, i) => {
        if (place(word.form) < 0 && !(i === last && typing && beginningWith(word.spelt, 1).length)) mend(word, i);
        const exact = place(word.form);
        if (exact >= 0) hit(i, exact, 1, rarity(exact));
        if (i === last && typing && word.spelt.length > 1) {
          for (const at of beginningWith(word.spelt, 300)) {
            if (at !== exact) hit(i, at, exact >= 0 ? 0.3 : 0.5 + (0.45 * word.spelt.length) / words[at].length, exact >= 0 ? 0 : rarity(at));
          }
        }
      });

      // Names: of a glossary term, which stands for every other name of it; of a record, which is what was asked for.
      const named = new Map();
      for (let i = 0; i <= last; i += 1) {
        for (let j = i; j <= Math.min(last, i + 5); j += 1) {
          const key = '=' + typed.slice(i, j + 1).map((w) => w.form).join(' ');
          const whole = place(key);
          if (j === i + 1) {
            const [, joined] = forms(typed[i].raw + typed[j].raw);
            const at = place(joined);
            if (at >= 0) [i, j].forEach((k) => hit(k, at, 0.9, weight[k] || rarity(at)));
          }
          const starts = [];
          if (j === last && typing) {
            const begun = '=' + [...typed.slice(i, j).map((w) => w.form), typed[j].spelt].join(' ');
            if (begun.length > 3) starts.push(...beginningWith(begun, 40).filter((at) => at !== whole));
          }
          for (const at of whole >= 0 ? [whole, ...starts] : starts) {
            const share = at === whole ? 1 : (0.6 * key.length) / words[at].length;
            const called = postings(at);
            for (let k = 0; k < called.length; k += 2) {
              const n = called[k];
              named.set(n, [...(named.get(n) || []), [i, j, share * called[k + 1]]]);
              if (at !== whole || records[n][0] !== TERM) continue;
              const term = place('~' + n.toString(36));
              if (term >= 0) for (let word = i; word <= j; word += 1) hit(word, term, 0.9, weight[word] || rarity(term));
            }
          }
        }
      }

      /** Is this word of a title one of those that were typed? */
      function asked(word) {
        const [spelt, form] = forms(word.toLowerCase());
        return typed.some((w, i) => w.form === form || (i === last && typing && w.spelt.length > 1 && spelt.startsWith(w.spelt)));
      }

      const total = weight.reduce((a, b) => a + b, 0);
      const number = typed.some((w) => asksNumber.has(w.form)) || /\bhow\b/i.test(text);
      const results = [];
      for (let n = 0; n < records.length; n += 1) {
        let sum = 0;
        let covered = 0;
        for (let i = 0; i <= last; i += 1) {
          if (!matched[i][n]) continue;
          sum += weight[i] * matched[i][n];
          covered += weight[i];
        }
        if (!sum) continue;
        let bonus = 0;
        for (const [i, j, share] of named.get(n) || []) {
          let said = 0;
          for (let k = i; k <= j; k += 1) said += weight[k];
          bonus = Math.max(bonus, share * total * (said / total) ** 2);
        }
        const kind = records[n][0];
        const worth = kinds[kind][2] * (number && kind === NUMBER ? 1.6 : 1);
        results.push([n, (sum * (covered / total) ** 2 + 0.65 * bonus) * worth]);
      }
      results.sort((a, b) => b[1] - a[1] || a[0] - b[0]);
      // A second and third figure of one card stand back a little, so that the first lines do not all come from it.
      const from = new Map();
      for (const r of results) {
        const [kind, path] = records[r[0]];
        if (kind !== NUMBER && kind !== CITED) continue;
        const page = path.split('#')[0];
        r[1] *= 0.92 ** (from.get(page) || 0);
        from.set(page, (from.get(page) || 0) + 1);
      }
      results.sort((a, b) => b[1] - a[1] || a[0] - b[0]);
      const floor = results.length ? results[0][1] * 0.15 : 0;
      return { results: results.filter(([, s]) => s >= floor).map(([n, s]) => ({ n, score: s })), near: nearly, unknown, asked };
    }

    return { search, fold: (word) => forms(word)[1] };
  }

  const rows = [0, 1, 2].map(() => new Uint8Array(64)); // kept, for one search compares thousands of words

  /** Slips between two words (a letter wrong, missing, too many, or two changed about); above `most`, any number above it. */
  function slips(a, b, most) {
    let [before, row, next] = rows;
    if (b.length > 60) return most + 1;
    for (let j = 0; j <= b.length; j += 1) row[j] = j;
    for (let i = 1; i <= a.length; i += 1) {
      next[0] = i;
      let least = i;
      for (let j = 1; j <= b.length; j += 1) {
        const same = a[i - 1] === b[j - 1];
        let d = Math.min(row[j] + 1, next[j - 1] + 1, row[j - 1] + (same ? 0 : 1));
        if (!same && i > 1 && j > 1 && a[i - 1] === b[j - 2] && a[i - 2] === b[j - 1]) d = Math.min(d, before[j - 2] + 1);
        next[j] = d;
        if (d < least) least = d;
      }
      if (least > most) return most + 1;
      [before, row, next] = [row, next, before];
    }
    return row[b.length];
  }

  window.cards = window.cards || {};
  window.cards.rank = rank;
})();
