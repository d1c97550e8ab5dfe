/* The header's search field and menu.
 *
 * What is found is ranked by search-rank.js over the two data files that the builder writes. All three come as scripts, on
 * the first use, so that search works from a folder on disk and costs a page nothing before.
 */
(function () {
  'use strict';

  const base = new URL('../../', document.currentScript.src);
  const BEST = 3; // shown first whatever their kind; the rest stand under the name of theirs
  const OF_A_KIND = 4;

  // --- the data -----------------------------------------------------------------------------------------------------

  let ready = null;

  function load() {
    if (!ready) {
      const script = (name) => new Promise((resolve, reject) => {
        const tag = document.createElement('script');
        tag.src = new URL('assets/' + name + '.js', base).href;
        tag.addEventListener('load', resolve);
        tag.addEventListener('error', () => reject(new Error(name)));
        document.head.append(tag);
      });
      ready = Promise.all(['data/search', 'data/search-words', 'javascripts/search-rank'].map(script)).then(() => {
        const made = window.cards.rank(window.cards.search, window.cards.searchWords);
        made.search('a'); // the first search pays for opening the index; the reader should not
        return made;
      });
      ready.catch(() => { ready = null; });
    }
    return ready;
  }

  window.cards = window.cards || {};
  /** For other scripts of the site and for tests: text -> the results, best first. */
  window.cards.find = (text) => load().then(({ search }) => search(text).results.map(({ n, score }) => ({ ...record(n), score })));
  /** Words, in lower case -> their forms in the index. */
  window.cards.fold = (words) => load().then(({ fold }) => words.map(fold));

  function record(n) {
    const { kinds, records } = window.cards.search;
    const [kind, path, title, under, figure, mark] = records[n];
    return { kind: kinds[kind][0], group: kinds[kind][1], path, title, under, figure, mark };
  }

  // --- the field ----------------------------------------------------------------------------------------------------

  const find = document.getElementById('find');
  if (!find) return;
  const field = document.getElementById('find-field');
  const panel = find.querySelector('.find-panel');
  const list = document.getElementById('find-results');
  const note = find.querySelector('.find-note');
  const none = find.querySelector('.find-none');
  const hint = find.querySelector('.find-hint');
  const count = find.querySelector('.find-count');
  const openers = [...document.querySelectorAll('[data-search-open]')];
  let options = [];
  let chosen = -1;
  let shownFor = ''; // the text whose results stand in the list
  let opener = null;

  function make(tag, className, text) {
    const node = document.createElement(tag);
    if (className) node.className = className;
    if (text) node.textContent = text;
    return node;
  }

  const overlaid = () => getComputedStyle(find).position === 'fixed' || !find.offsetParent;

  /* The root is told by a class and not by :has(), which would be asked again after every change of any page. */
  function opened(yes) {
    find.classList.toggle('opened', yes);
    document.documentElement.classList.toggle('finding', yes);
  }

  function open(by) {
    if (by) opener = by;
    opened(true);
    openers.forEach((b) => b.setAttribute('aria-expanded', 'true'));
    if (document.activeElement !== field) field.focus();
    load().catch(() => {});
    show();
  }

  function close(andReturn) {
    const over = overlaid();
    panel.hidden = true;
    field.setAttribute('aria-expanded', 'false');
    choose(-1);
    opened(false);
    openers.forEach((b) => b.setAttribute('aria-expanded', 'false'));
    if (andReturn && over && opener) opener.focus();
    opener = null;
  }

  function choose(n) {
    if (options[chosen]) options[chosen].setAttribute('aria-selected', 'false');
    chosen = n;
    const option = options[n];
    if (!option) {
      field.removeAttribute('aria-activedescendant');
      return;
    }
    option.setAttribute('aria-selected', 'true');
    field.setAttribute('aria-activedescendant', option.id);
    option.scrollIntoView({ block: 'nearest' });
  }

  /** The title with the words that were asked for marked. */
  function marked(title, asked) {
    const node = make('span', 'find-title');
    for (const piece of title.split(/([\p{L}\p{N}]+)/u)) {
      if (piece) node.append(asked(piece) ? make('mark', '', piece) : piece);
    }
    return node;
  }

  function optionFor(found, asked, withKind) {
    const link = make('a');
    link.href = new URL(found.path, base).href;
    link.id = 'find-' + options.length;
    link.tabIndex = -1;
    link.setAttribute('role', 'option');
    link.setAttribute('aria-selected', 'false');
    link.setAttribute('data-search-result', found.path);
    link.append(marked(found.title, asked));
    if (found.figure) link.append(' ', make('span', 'find-figure', found.figure));
    const under = make('span', 'find-under');
    if (withKind) under.append(make('span', 'find-kind', found.kind));
    under.append([found.under, found.mark].filter(Boolean).join(' \u00b7 '));
    link.append(' ', under);
    options.push(link);
    return link;
  }

  function group(name, found, asked, withKind) {
    const node = make('div');
    const head = make('div', 'find-group', name);
    head.id = 'find-group-' + list.childElementCount;
    node.setAttribute('role', 'group');
    node.setAttribute('aria-labelledby', head.id);
    node.append(head, ...found.map((f) => optionFor(f, asked, withKind)));
    list.append(node);
  }

  /** Shows the results for what stands in the field; resolves when they stand there. */
  function show() {
    const text = field.value.trim();
    panel.hidden = false;
    if (!text) {
      fill('', null);
      return Promise.resolve();
    }
    return load().then((made) => {
      // What was typed meanwhile has its own turn.
      if (field.value.trim() === text) fill(text, made);
    }, () => {
      if (field.value.trim() !== text) return;
      fill('', null);
      hint.hidden = true;
      say('The search could not be loaded. The lists of techniques and terms are there without it.');
      none.hidden = false;
    });
  }

  function say(text) {
    note.textContent = text;
    note.hidden = !text;
    count.textContent = text;
  }

  function fill(text, made) {
    shownFor = text;
    options = [];
    chosen = -1;
    field.removeAttribute('aria-activedescendant');
    list.replaceChildren();
    const answer = made ? made.search(field.value.trimStart()) : null;
    if (answer) {
      const found = answer.results.map(({ n }) => record(n));
      if (found.length) group('Best matches', found.slice(0, BEST), answer.asked, true);
      const kinds = new Map();
      for (const f of found.slice(BEST)) kinds.set(f.group, [...(kinds.get(f.group) || []), f]);
      for (const [name, of] of kinds) group(name, of.slice(0, OF_A_KIND), answer.asked, false);
    }
    list.hidden = !options.length;
    hint.hidden = Boolean(text);
    none.hidden = !text || options.length > 0;
    field.setAttribute('aria-expanded', String(options.length > 0));
    const said = [];
    if (answer && !options.length) said.push('Nothing found for \u201c' + text + '\u201d.');
    else if (answer && answer.unknown.length) said.push('Not found, and left out: ' + answer.unknown.join(', ') + '.');
    if (answer && options.length && answer.near.length) said.push('Nearest spelling taken for: ' + answer.near.join(', ') + '.');
    say(said.join(' '));
    if (options.length) count.textContent = [options.length === 1 ? '1 result.' : options.length + ' results.', ...said].join(' ');
    list.scrollTop = 0;
  }

  field.addEventListener('focus', () => { if (!find.classList.contains('opened')) open(); });
  field.addEventListener('input', () => { opened(true); show(); });
  field.addEventListener('keydown', (event) => {
    if (event.isComposing) return;
    const last = options.length - 1;
    if (event.key === 'ArrowDown' || event.key === 'ArrowUp') {
      if (panel.hidden) open();
      else if (last >= 0) choose(event.key === 'ArrowDown' ? (chosen >= last ? 0 : chosen + 1) : (chosen <= 0 ? last : chosen - 1));
    } else if (event.key === 'Enter') {
      const which = Math.max(chosen, 0);
      // The index may still be on its way, or the list stand for less than what is typed.
      const shown = shownFor === field.value.trim() ? Promise.resolve() : show();
      shown.then(() => { if (options[which]) options[which].click(); });
    } else if (event.key === 'Escape') {
      if (panel.hidden) field.value = '';
      close(true);
    } else {
      return;
    }
    event.preventDefault();
  });
  find.querySelector('.find-close').addEventListener('click', () => close(true));
  list.addEventListener('click', (event) => {
    if (event.target.closest('a') && !event.ctrlKey && !event.metaKey && !event.shiftKey) close(false);
  });
  find.addEventListener('focusout', (event) => {
    // To nowhere: the window lost the focus, or the pointer is on its way to a result.
    if (event.relatedTarget && !find.contains(event.relatedTarget)) close(false);
  });
  document.addEventListener('pointerdown', (event) => {
    if (find.classList.contains('opened') && !find.contains(event.target)) close(false);
  });
  openers.forEach((button) => button.addEventListener('click', () => open(button)));
  document.addEventListener('keydown', (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey || !['/', 's'].includes(event.key)) return;
    if (event.target.closest('input, textarea, select, [contenteditable]')) return;
    event.preventDefault();
    open(document.activeElement === document.body ? openers.find((b) => b.offsetParent) : document.activeElement);
  });

  // --- the menu -----------------------------------------------------------------------------------------------------

  const menu = document.getElementById('site-menu');
  if (menu) {
    const popover = 'popover' in HTMLElement.prototype;
    menu.addEventListener('click', (event) => {
      if (!event.target.closest('a')) return;
      if (popover) menu.hidePopover();
      else menu.classList.remove('opened');
    });
    if (!popover) {
      document.querySelectorAll('[popovertarget="site-menu"]').forEach((b) => b.addEventListener('click', () => menu.classList.toggle('opened')));
    }
  }
})();
