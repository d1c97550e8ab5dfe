/* What this browser remembers of its reader: the cards that were read, and how each stood on that day, so that a card
 * which has changed says what changed. Nothing leaves the browser, and one button forgets it all.
 *
 *   cards:read       {card id: [version, ISO date]}
 *   cards:read:ID    the card as it was read (see snapshot)
 *   cards:test:CASE  answers to the self-test (selftest.js)
 */
(function () {
  'use strict';
  const cards = window.cards = window.cards || {};
  const HERE = document.currentScript.src;
  const INDEX = 'cards:read';
  const FORM = 1; // of a snapshot; an older one is not compared
  const MARK = '\u2063'; // stands on both sides of a figure that a sentence takes from a card
  // What is remembered of a card: name, word for one, selector of the items, and of each item's parts with their cues.
  const PARTS = [
    ['steps', 'Step', 'ol.steps > li', {'.do': '', '.until': 'Until', '.why': 'Why'}],
    ['decisions', 'Decision', 'ul.decisions > li', {'.if': 'If', '.then': 'Then', '.why': 'Why'}],
    ['pitfalls', 'Pitfall', 'ul.pitfalls > li', {'.sign': 'Sign', '.respond': 'First do'}],
    ['cautions', 'Caution', 'ul.claims.cautions > li'],
    ['when', 'When', 'ul.claims.when > li'],
    ['when-not', 'When not', 'ul.claims.not-when > li'],
    ['have-ready', 'Have ready', 'ul.claims.equipment > li'],
    ['evidence', 'Evidence', 'ul.claims.evidence > li'],
    ['published', 'Published beside it', '.number .reported > li'],
    ['figures', 'Reason for a number', '.number dd > .note']
  ];

  // --- the store ---------------------------------------------------------------------------------------------------

  const store = {
    get keeps() { return !cards.keepsNothing; },
    get: function (key) {
      try { return JSON.parse(localStorage.getItem(key)); } catch (error) { return null; }
    },
    /** False where there is no room. */
    set: function (key, value) {
      try { localStorage.setItem(key, JSON.stringify(value)); return true; } catch (error) { return false; }
    },
    remove: function (key) {
      try { localStorage.removeItem(key); } catch (error) { /* then it holds nothing */ }
    },
    /** The keys of reading and self-test; what else the site keeps (colours) is not memory of a reader. */
    keys: function () {
      const found = [];
      try {
        for (let n = 0; n < localStorage.length; n++) {
          const key = localStorage.key(n);
          if (/^cards:(read|test)(:|$)/.test(key)) found.push(key);
        }
      } catch (error) { /* none */ }
      return found;
    }
  };

  function index() {
    const held = store.get(INDEX);
    return new Map(held && typeof held === 'object' ? Object.entries(held).filter(function (e) {
      return Array.isArray(e[1]) && typeof e[1][0] === 'string' && /^\d{4}-\d\d-\d\d$/.test(e[1][1]);
    }) : []);
  }

  /** unread, read or changed; with the date it was read. */
  function state(id, version, held) {
    const was = (held || index()).get(id);
    return was ? {name: was[0] === version ? 'read' : 'changed', on: was[1]} : {name: 'unread'};
  }

  function today() {
    const now = new Date();
    return [now.getFullYear(), now.getMonth() + 1, now.getDate()].map(function (n) { return String(n).padStart(2, '0'); }).join('-');
  }

  function say(iso) {
    return new Date(iso + 'T12:00').toLocaleDateString('en-GB', {day: 'numeric', month: 'long', year: 'numeric'});
  }

  function count(n, one) { return n + ' ' + one + (n === 1 ? '' : 's'); }

  function make(tag, className, inside) {
    const node = document.createElement(tag);
    if (className) node.className = className;
    node.append.apply(node, [].concat(inside === undefined ? [] : inside));
    return node;
  }

  function button(words, press) {
    const node = make('button', 'md-button', words);
    node.type = 'button';
    node.addEventListener('click', press);
    return node;
  }

  // --- a card as the page shows it ----------------------------------------------------------------------------------

  function words(node) {
    const copy = node.cloneNode(true);
    copy.querySelectorAll('.basis, .cue, .since').forEach(function (n) { n.remove(); });
    copy.querySelectorAll('a.figure').forEach(function (n) { n.textContent = MARK + n.textContent + MARK; });
    return copy.textContent.replace(/\s+/g, ' ').trim();
  }

  /** [[standing, its word, [short names of sources], flag], ...] */
  function marks(node) {
    return Array.from(node.querySelectorAll('.basis')).map(function (n) {
      const flag = n.querySelector('.flag');
      return [/basis-([\w-]+)/.exec(n.className)[1], n.firstChild.textContent.trim(),
        Array.from(n.querySelectorAll('a'), function (a) { return a.title.split('. ')[0]; }), flag ? flag.textContent : ''];
    });
  }

  /** Each number as [key, label, figure, marks]; each part as a list of [[texts], marks]. Nodes are kept apart. */
  function snapshot(page) {
    const now = {form: FORM, numbers: [], parts: {}}, nodes = {numbers: [], parts: {}};
    page.querySelectorAll('.number[id^="quantity-"]').forEach(function (n) {
      const dd = n.querySelector('dd'), alone = document.createElement('div');
      Array.from(dd.children).forEach(function (c) { if (c.matches('.basis')) alone.append(c.cloneNode(true)); });
      now.numbers.push([n.id.slice(9), words(n.querySelector('dt')),
        Array.from(dd.children).filter(function (c) { return c.matches('.value, .unit'); }).map(words).join(' '), marks(alone)]);
      nodes.numbers.push(n);
    });
    PARTS.forEach(function (part) {
      const found = Array.from(page.querySelectorAll(part[2]));
      nodes.parts[part[0]] = found;
      found.forEach(function (li, n) { li.id = li.id || part[0] + '-' + (n + 1); }); // so that a change can be linked to
      now.parts[part[0]] = found.map(function (li) {
        const label = li.closest('.number') ? words(li.closest('.number').querySelector('dt')) + ': ' : '';
        const texts = part[3] ? Object.keys(part[3]).map(function (s) { const p = li.querySelector(s); return p ? words(p) : ''; }) : [label + words(li)];
        return [texts, marks(li)];
      });
    });
    return {now: now, nodes: nodes};
  }

  // --- the card page --------------------------------------------------------------------------------------------------

  /** Runs another script of the site once, then what waits for it; by element, since fetch does not work from file://. */
  function load(name, failed, then) {
    let script = document.querySelector('script[data-name="' + name + '"]');
    if (script && script.dataset.ready) { then(); return; }
    if (!script) {
      script = make('script');
      script.dataset.name = name;
      script.src = HERE.replace(/memory\.js(?=$|\?)/, name + '.js');
      script.addEventListener('load', function () { script.dataset.ready = '1'; });
      document.head.append(script);
    }
    script.addEventListener('load', then);
    script.addEventListener('error', failed);
  }

  function card(panel) {
    const id = panel.dataset.card, version = panel.dataset.version;
    const page = panel.parentNode, foot = page.querySelector('[data-mark-read]');
    const seen = snapshot(page);
    const told = make('p', 'told');
    told.setAttribute('role', 'status');
    const press = button('', function () {
      if (state(id, version).name === 'read') forget(); else remember();
    });

    function remember() {
      const held = index();
      held.set(id, [version, today()]);
      // The snapshot can be done without; the date and the version cannot.
      if (!store.set(INDEX + ':' + id, seen.now)) store.remove(INDEX + ':' + id);
      const kept = store.set(INDEX, Object.fromEntries(held));
      show();
      if (!kept) told.textContent = 'This browser has no room to remember it.';
    }

    function forget() {
      const held = index();
      held.delete(id);
      store.remove(INDEX + ':' + id);
      store.set(INDEX, Object.fromEntries(held));
      show();
    }

    function showFoot(is) {
      press.textContent = is.name === 'read' ? 'Count this card as not read' : 'I have read this card';
      told.textContent = is.name === 'read' ? 'You read this card on ' + say(is.on) + '. It has not changed since.'
        : is.name === 'changed' ? 'You read this card on ' + say(is.on) + '. It has changed since; see its top.'
          : 'This browser, and nobody else, then remembers it and shows you what changes.';
    }

    function show() {
      const is = state(id, version);
      page.querySelectorAll('.since').forEach(function (n) { n.remove(); });
      showFoot(is);
      panel.hidden = true;
      const letGo = function () { document.documentElement.classList.remove('card-changed'); };
      if (is.name !== 'changed') {
        letGo();
      } else {
        // Most visits find nothing changed; the comparison is fetched when there is something to compare.
        load('changes', function () {
          letGo();
          panel.replaceChildren(make('p', '', 'This card has changed since you read it on ' + say(is.on) + '; what changed could not be shown.'));
          panel.hidden = false;
        }, function () {
          const heldBack = document.documentElement.classList.contains('card-changed');
          letGo();
          if (state(id, version).name !== 'changed') return;
          cards.memory.showChanges(panel, store.get(INDEX + ':' + id), seen, say(is.on), function () {
            remember();
            told.focus({preventScroll: true});
          });
          // The panel has pushed down the place that the address names.
          const named = heldBack && location.hash && document.getElementById(location.hash.slice(1));
          if (named) named.scrollIntoView();
        });
      }
    }

    told.tabIndex = -1;
    if (store.keeps) {
      foot.append(press, told);
    } else {
      foot.append(make('p', 'told', 'This browser keeps nothing, so it cannot remember that you have read this card.'));
    }
    return store.keeps ? show : function () {};
  }

  // --- lists of cards, and the settings --------------------------------------------------------------------------------

  function lists() {
    const held = index();
    document.querySelectorAll('li[data-card]').forEach(function (li) {
      const is = state(li.dataset.card, li.dataset.version, held), own = li.closest('[data-reading-list]');
      li.querySelectorAll('.read-state').forEach(function (n) { n.remove(); });
      // Away from the reading list an unread card is the rule and needs no word.
      if (own || is.name !== 'unread') {
        const mark = make('span', 'read-state read-state-' + is.name, is.name);
        if (is.on) mark.title = 'You read it on ' + say(is.on);
        li.querySelector('.time').after(' ', mark);
      }
    });
    document.querySelectorAll('[data-reading-list]').forEach(function (list) {
      const rows = Array.from(list.querySelectorAll('li[data-card]'));
      const of = function (name) { return rows.filter(function (li) { return state(li.dataset.card, li.dataset.version, held).name === name; }); };
      const minutes = of('unread').concat(of('changed')).reduce(function (sum, li) { return sum + Number(li.dataset.minutes); }, 0);
      const changed = of('changed').length;
      list.querySelector('.reading-sum').textContent = of('read').length + ' of ' + rows.length + ' read' + (changed ? ', ' + changed + ' changed since' : '') + (minutes ? ', ' + minutes + ' min left' : ', nothing left');
    });
  }

  function settings(box) {
    const text = make('p'), told = make('p', 'told');
    told.setAttribute('role', 'status');
    let forgotten = null;
    const press = button('Forget what I have read', function () {
      if (!store.keys().length) return;
      forgotten = store.keys().map(function (key) { return [key, store.get(key)]; });
      forgotten.forEach(function (x) { store.remove(x[0]); });
      refresh();
      told.textContent = 'Forgotten. ';
      told.append(button('Bring it back', function () {
        forgotten.forEach(function (x) { store.set(x[0], x[1]); });
        told.textContent = 'It is back.';
        refresh();
        press.focus();
      }));
    });

    function show() {
      const tests = store.keys().filter(function (k) { return /^cards:test:/.test(k); }).length, read = index().size;
      text.textContent = read || tests
        ? [read && count(read, 'card') + ' read', tests && 'your answers in ' + count(tests, 'self-test')].filter(Boolean).join(' and ') + '. Kept in this browser only; nothing is sent.'
        : 'Nothing yet. It can remember which cards you have read and what you missed in a self-test; in this browser only, and nothing is sent.';
      // Kept in its place for the keyboard, which stands on it when all is forgotten.
      press.setAttribute('aria-disabled', String(!read && !tests));
    }

    if (store.keeps) box.replaceChildren(text, press, told);
    else box.replaceChildren(make('p', '', 'Nothing: this browser keeps nothing for this site, because its storage is switched off. Reading lists and self-tests start anew on each page; all else works.'));
    return store.keeps ? show : function () {};
  }

  const parts = [].concat(
    Array.from(document.querySelectorAll('section.changed-since[data-card]'), card),
    document.querySelector('li[data-card]') && store.keeps ? [lists] : [],
    Array.from(document.querySelectorAll('[data-memory-settings]'), settings)
  );

  function refresh() {
    cards.memory.refresh();
    document.dispatchEvent(new Event('cards:memory')); // the self-test starts anew when its answers are forgotten
  }

  cards.memory = {
    store: store, make: make, button: button, count: count, form: FORM, mark: MARK, parts: PARTS,
    refresh: function () { parts.forEach(function (show) { show(); }); }
  };
  cards.memory.refresh();
  // Another tab, or a page brought back from the browser's own memory, may know more.
  window.addEventListener('storage', function (event) {
    if (!event.key || /^cards:test:/.test(event.key) && event.newValue === null) refresh();
    else if (event.key === INDEX) cards.memory.refresh();
  });
  window.addEventListener('pageshow', function (event) { if (event.persisted) cards.memory.refresh(); });
}());
