/* The self-test of a case: all questions of its cards in mixed order, the answer on request, what was missed again until it
 * is known. Answers are kept in this browser under cards:test:CASE = {question id: [times missed, known]}, and go with the
 * rest when the reader has all forgotten. */
(function () {
  'use strict';
  const memory = window.cards.memory, store = memory.store, make = memory.make, button = memory.button, count = memory.count;
  const HERE = document.currentScript.src;
  const box = document.querySelector('[data-self-test]');
  const AGAIN_AFTER = 4; // other questions before a missed one comes back
  const ATTRIBUTES = ['class', 'href', 'title'];
  if (!box) return;

  const stage = make('div', 'test');
  stage.hidden = true;
  box.append(stage);
  let test = null;

  /** Nodes from pieces: words, or [element, attributes, pieces]. Nothing is read as HTML. */
  function build(pieces) {
    return pieces.map(function (p) {
      if (typeof p === 'string') return p;
      const node = make(p[0], '', build(p[2]));
      ATTRIBUTES.forEach(function (name) { if (p[1][name]) node.setAttribute(name, p[1][name]); });
      return node;
    });
  }

  function mixed(questions) {
    const left = questions.slice();
    for (let n = left.length - 1; n > 0; n--) {
      const m = Math.floor(Math.random() * (n + 1));
      [left[n], left[m]] = [left[m], left[n]];
    }
    // Two of one card never follow each other while another card has one left.
    const out = [];
    while (left.length) {
      const last = out.length ? out[out.length - 1].card : null;
      const n = left.findIndex(function (q) { return q.card !== last; });
      out.push(left.splice(Math.max(n, 0), 1)[0]);
    }
    return out;
  }

  function link(card, anchor) {
    const a = make('a', '', card.title);
    a.href = 'techniques/' + card.id + '.html' + (anchor ? '#' + anchor : '');
    return a;
  }

  // --- one test --------------------------------------------------------------------------------------------------------

  function begin(data) {
    const questions = [];
    data.cards.forEach(function (card) {
      card.questions.forEach(function (q) { questions.push({id: q.id, ask: q.ask, answer: q.answer, basis: q.basis, card: card}); });
    });
    const key = 'cards:test:' + data.id, held = store.get(key), answers = new Map();
    questions.forEach(function (q) {
      const a = held && typeof held === 'object' && held[q.id];
      if (Array.isArray(a) && Number.isInteger(a[0]) && a[0] >= 0) answers.set(q.id, [a[0], a[1] ? 1 : 0]);
    });
    test = {data: data, key: key, questions: questions, answers: answers};
    fill();
    if (test.queue.length) ask(false);
    else tally(false);
  }

  /** The questions still to ask: all that are not known. */
  function fill() {
    test.queue = mixed(test.questions.filter(function (q) { return !known(q); }));
  }

  function answered(q) { return test.answers.get(q.id) || [0, 0]; }
  function known(q) { return answered(q)[1] === 1; }

  function judge(q, knew) {
    const misses = answered(q)[0] + (knew ? 0 : 1);
    test.answers.set(q.id, [misses, knew ? 1 : 0]);
    store.set(test.key, Object.fromEntries(test.answers));
    test.queue.shift();
    if (!knew) test.queue.splice(AGAIN_AFTER, 0, q);
    memory.refresh();
    if (test.queue.length) ask(true);
    else tally(true);
  }

  function head() {
    const total = test.questions.length, done = test.questions.filter(known).length;
    const again = test.questions.filter(function (q) { return !known(q) && answered(q)[0]; }).length;
    const bar = make('progress');
    bar.max = total;
    bar.value = done;
    bar.setAttribute('aria-label', 'Questions known');
    const other = make('a', '', 'Another case');
    other.href = '#';
    const home = make('a', '', test.data.title);
    home.href = 'pathways/' + test.data.id + '.html';
    return [make('p', 'test-of', [home, ' ', other]), bar,
      make('p', 'test-count', done + ' of ' + count(total, 'question') + ' known' + (again ? ', ' + again + ' missed so far and coming again' : ''))];
  }

  function show(nodes, focus) {
    stage.replaceChildren.apply(stage, nodes);
    if (!focus) return;
    focus.tabIndex = -1;
    focus.focus({preventScroll: true});
    if (stage.getBoundingClientRect().top < 0) stage.scrollIntoView();
  }

  function ask(moveFocus) {
    const q = test.queue[0];
    const heading = make('h2', 'test-ask', build(q.ask));
    const answer = make('div', 'test-answer', [
      make('p', '', build(q.answer).concat(' ', build(q.basis).reduce(function (all, n) { return all.concat(n, ' '); }, []))),
      make('p', 'test-from', ['On the card ', link(q.card)]),
      make('p', 'test-judge', [button('Knew it', function () { judge(q, true); }), button('Missed it', function () { judge(q, false); })])
    ]);
    answer.hidden = true;
    answer.tabIndex = -1;
    answer.setAttribute('role', 'group');
    answer.setAttribute('aria-label', 'Answer');
    const reveal = button('Show the answer', function () {
      reveal.hidden = true;
      answer.hidden = false;
      answer.focus({preventScroll: true});
      answer.scrollIntoView({block: 'nearest'});
    });
    reveal.classList.add('md-button--primary');
    show(head().concat(
      make('p', 'test-card', [q.card.title, answered(q)[0] ? make('span', 'missed', 'missed ' + (answered(q)[0] === 1 ? 'once' : answered(q)[0] + ' times')) : '']),
      heading, reveal, answer, make('p', 'test-foot', button('Stop here and count', function () { tally(true); }))), moveFocus ? heading : null);
  }

  /** The count by card, the cards with most misses first. */
  function tally(moveFocus) {
    const rows = test.data.cards.map(function (card) {
      const own = test.questions.filter(function (q) { return q.card === card; });
      const of = function (f) { return own.filter(f).length; };
      return {
        card: card, all: own.length,
        atOnce: of(function (q) { return known(q) && !answered(q)[0]; }),
        later: of(function (q) { return known(q) && answered(q)[0]; }),
        missed: of(function (q) { return !known(q) && answered(q)[0]; }),
        left: of(function (q) { return !known(q) && !answered(q)[0]; })
      };
    });
    rows.sort(function (a, b) { return (b.missed + b.later) - (a.missed + a.later); });
    const open = rows.some(function (r) { return r.missed || r.left; });
    // Cards of which nothing was asked would bury the others.
    const begun = rows.filter(function (r) { return r.left < r.all; }), rest = rows.filter(function (r) { return r.left === r.all; });
    const words = [['atOnce', 'known at once'], ['later', 'known after a miss'], ['missed', 'still missed'], ['left', 'not yet asked']];
    const list = make('ul', 'test-tally', begun.map(function (r) {
      const told = words.filter(function (w) { return r[w[0]]; }).map(function (w) { return r[w[0]] + ' ' + w[1]; }).join(', ');
      return make('li', r.missed || r.later ? 'had-misses' : '', [link(r.card), ' ', make('span', 'gloss', 'Of ' + count(r.all, 'question') + ': ' + told)]);
    }));
    const others = rest.length && begun.length ? [make('details', '', [make('summary', '', 'Not yet asked: ' + count(rest.length, 'card')), make('ul', 'test-cards', rest.map(function (r) { return make('li', '', link(r.card)); }))])] : [];
    const sum = function (name) { return rows.reduce(function (s, r) { return s + r[name]; }, 0); };
    const heading = make('h2', '', open ? 'The count so far' : 'Every question known');
    show(head().concat(
      heading,
      make('p', '', count(sum('all'), 'question') + ': ' + sum('atOnce') + ' known at once, ' + sum('later') + ' after a miss' + (open ? ', ' + sum('missed') + ' still missed, ' + sum('left') + ' not yet asked' : '') + '.'),
      list).concat(others,
      make('p', 'test-judge', (open ? [button('Go on', function () { fill(); ask(true); })] : []).concat(button('Start again', function () {
        test.answers.clear();
        store.remove(test.key);
        memory.refresh();
        fill();
        ask(true);
      })))), moveFocus ? heading : null);
  }

  // --- which case --------------------------------------------------------------------------------------------------------

  /** What the page is for is said where a case is chosen; on a phone the question needs its room. */
  function intro(wanted) { document.querySelector('.test-intro').hidden = !wanted; }

  function choose(trouble) {
    test = null;
    intro(true);
    stage.hidden = true;
    const told = box.querySelector('.test-off');
    told.hidden = !trouble;
    if (trouble) told.textContent = trouble;
    box.querySelectorAll('.test-case').forEach(function (n) {
      n.hidden = false;
      n.querySelector('.begin').hidden = false;
      n.querySelector('.test-cards').hidden = !trouble;
    });
  }

  function start() {
    const id = location.hash.slice(1);
    const found = Array.from(box.querySelectorAll('.test-case')).find(function (n) { return n.id === id; });
    if (!found) { choose(''); return; }
    const all = window.cards.questions = window.cards.questions || {};
    const run = function () {
      if (location.hash.slice(1) !== id) return;
      box.querySelectorAll('.test-case, .test-off').forEach(function (n) { n.hidden = true; });
      intro(false);
      stage.hidden = false;
      begin(all[id]);
      window.scrollTo(0, 0);
    };
    if (all[id]) { run(); return; }
    const script = make('script');
    script.src = HERE.replace(/javascripts\/selftest\.js(?=$|\?)/, 'data/questions-' + id + '.js');
    script.addEventListener('load', run);
    script.addEventListener('error', function () { choose('The questions of this case did not load. They stand at the end of each card too, each with its answer one tap away.'); });
    document.head.append(script);
  }

  window.addEventListener('hashchange', start);
  // Answers that were forgotten, or brought back, or given in another tab.
  document.addEventListener('cards:memory', function () { if (test) begin(test.data); });
  start();
}());
