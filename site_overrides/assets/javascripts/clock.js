/* By the reader's own clock: is this copy old, is this card overdue, did the page come from the copy kept for want of a
 * network? Stands right behind the place for its words (partials/clock.html) and fills it before what follows is drawn.
 * Over https or on this machine it also installs sw.js and the manifest; from a folder on disk it does not.
 */
(function () {
  'use strict';

  const here = document.currentScript;
  const place = here.previousElementSibling;
  const { made, staleAfter, due, keeper, content, installs } = place.dataset;
  const root = new URL('../../', here.src);
  const worker = installs !== undefined && /^http/.test(location.protocol) && window.isSecureContext && navigator.serviceWorker;
  let judged; // the day that the page now speaks of
  let why = ''; // why the page came from the kept copy
  let newer = ''; // the day of a newer copy that is here

  const days = (iso) => Date.parse(iso) / 864e5;

  function make(tag, className, ...parts) {
    const node = document.createElement(tag);
    node.className = className;
    node.append(...parts);
    return node;
  }

  function today() {
    const now = new Date();
    return new Date(Date.UTC(now.getFullYear(), now.getMonth(), now.getDate())).toISOString().slice(0, 10);
  }

  function judge() {
    const day = today();
    if (day === judged) return;
    judged = day;
    const age = days(day) - days(made);
    const say = (name, strong, words) => place.append(make('p', 'clock-line ' + name, make('strong', '', strong), ' ' + words));
    place.replaceChildren();
    // A day is not the same day everywhere.
    if (age < -1) say('clock-odd', 'This device\u2019s clock says ' + day + '.', 'That is before this copy was made (' + made + '), so what is out of date cannot be told.');
    if (age > staleAfter) say('clock-stale', 'This copy is ' + age + ' days old.', 'It was made on ' + made + '; look for a newer one before you rely on it.');
    if (due < day) say('clock-overdue', 'Overdue for review since ' + due + '.', 'Ask the card\u2019s keeper, the ' + keeper + ', before you rely on it.');
    if (document.readyState !== 'loading') mark();
  }

  /** Due dates within the page; on the first page those that have passed move into a list of their own. */
  function mark() {
    const list = document.querySelector('[data-overdue]');
    document.querySelectorAll('.due[data-due]').forEach((node) => {
      if (node.dataset.due >= judged) return;
      node.textContent = 'Overdue for review since ' + node.dataset.due;
      node.classList.add('review-overdue');
      const row = list && node.closest('li');
      if (!row || list.contains(row)) return;
      list.hidden = false;
      list.querySelector('ul').append(row);
    });
  }

  const line = make('p', 'clock-network');
  line.setAttribute('role', 'status');

  function tell() {
    if (!/^http/.test(location.protocol)) return;
    const parts = [];
    if (!navigator.onLine || why === 'none') parts.push('No network: this is the copy of ' + made + '.');
    else if (why) parts.push('The network is slow: this is the copy of ' + made + '.');
    if (newer) {
      const load = make('button', '', 'Load it');
      load.type = 'button';
      load.addEventListener('click', () => location.reload());
      parts.push(' A newer copy, made on ' + newer + ', is here. ', load);
    }
    document.body.append(line);
    line.replaceChildren(...parts);
    document.body.classList.toggle('clock-told', parts.length > 0);
  }

  judge();
  document.addEventListener('DOMContentLoaded', () => {
    mark();
    tell();
  });
  window.addEventListener('online', tell);
  window.addEventListener('offline', tell);
  // A page may stay open for days.
  document.addEventListener('visibilitychange', judge);

  if (!worker) return;
  const link = make('link', '');
  link.rel = 'manifest';
  link.crossOrigin = 'use-credentials'; // a hospital's host may ask who reads
  link.href = new URL('manifest.webmanifest', root).href;
  document.head.append(link);
  let changed = false; // another copy has taken over since the page was opened
  const hello = () => worker.controller && worker.controller.postMessage('copy');
  worker.addEventListener('message', ({ data }) => {
    why = why || data.why;
    if (changed && data.content !== content) newer = data.made;
    tell();
  });
  const had = Boolean(worker.controller);
  worker.addEventListener('controllerchange', () => {
    changed = had;
    hello();
  });
  hello();
  window.addEventListener('load', () => {
    worker.register(new URL('sw.js', root)).catch(() => {});
  });
})();
