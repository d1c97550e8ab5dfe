/* Keeps one whole copy of the site, so that it can be read without a network.
 *
 * builder/offline.py writes in front of this, as COPY: {version, content, made, first: {path: integrity}, rest: [path]}.
 * The files of `first` are fetched together and checked against their digests: a copy is all of one version or it is not
 * installed. They are never changed one by one. Those of `rest` join when they are opened.
 *
 * With a network every page comes from the host, so that a new copy there counts at once. Without one, or when the host
 * takes longer than PATIENCE, the whole page with all its scripts comes from the copy, never a mixture.
 */
(function () {
  'use strict';

  const PATIENCE = 2500; // ms
  const AT_ONCE = 4; // files fetched together, so that the page being read has room
  const HOME = new URL('./', self.location);
  const OURS = 'cards:' + HOME.pathname + ':'; // other copies may live on the same host
  const NAME = OURS + COPY.version;
  const FIRST = new Map(Object.entries(COPY.first));
  const REST = new Set(COPY.rest);
  const fromCopy = new Map(); // window -> why its page came from the copy: none (no network) or slow

  /** The file of the site that an address means; null for what is not ours. */
  function fileOf(address) {
    const url = new URL(address);
    if (url.origin !== HOME.origin || !url.pathname.startsWith(HOME.pathname)) return null;
    const path = url.pathname.slice(HOME.pathname.length).replace(/(^|\/)$/, '$1index.html');
    return FIRST.has(path) || REST.has(path) ? path : null;
  }

  const addressOf = (path) => new URL(path, HOME).href;

  // --- installing ---------------------------------------------------------------------------------------------------

  /** A page that was led on to another address may not answer for its own. */
  const plain = (answer) => (answer.redirected ? new Response(answer.body, { status: answer.status, headers: answer.headers }) : answer);

  async function keep(cache, path, integrity) {
    if (await cache.match(addressOf(path))) return;
    const get = (how) => fetch(addressOf(path), { cache: how, integrity: integrity || '' }).then((answer) => {
      if (!answer.ok) throw new Error(path + ': ' + answer.status);
      return answer;
    });
    // What the browser has is asked after first; it may be of an older version in spite of that.
    await cache.put(addressOf(path), plain(await get('no-cache').catch(() => get('reload'))));
  }

  async function install() {
    const cache = await caches.open(NAME);
    const waiting = [...FIRST.keys()];
    await Promise.all(Array.from({ length: AT_ONCE }, async () => {
      while (waiting.length) {
        const path = waiting.shift();
        await keep(cache, path, FIRST.get(path));
      }
    }));
    // What was opened in an older copy is wanted in this one too, if it can be had.
    for (const name of await others()) {
      for (const { url } of await (await caches.open(name)).keys()) {
        const path = fileOf(url);
        if (REST.has(path)) await keep(cache, path).catch(() => {});
      }
    }
    await self.skipWaiting();
  }

  const others = async () => (await caches.keys()).filter((name) => name.startsWith(OURS) && name !== NAME);

  async function activate() {
    await Promise.all((await others()).map((name) => caches.delete(name)));
    await self.clients.claim();
  }

  // --- answering ----------------------------------------------------------------------------------------------------

  /** From the host; rejects with why it cannot be had: a failing host counts as no network. */
  async function ask(request, path) {
    let answer;
    try {
      answer = await fetch(request, { cache: 'no-cache' });
    } catch (error) {
      throw { why: 'none' };
    }
    if (answer.status >= 500) throw { why: 'none', answer };
    if (REST.has(path) && answer.status === 200 && !answer.redirected) {
      await (await caches.open(NAME)).put(addressOf(path), answer.clone());
    }
    return answer;
  }

  async function answer(event, path) {
    const { request } = event;
    const isPage = request.mode === 'navigate';
    const found = caches.open(NAME).then((cache) => cache.match(addressOf(path)));
    if (!isPage && fromCopy.has(event.clientId) && await found) return found;
    const asked = ask(request, path);
    const kept = await found;
    if (!kept) return asked.catch((failed) => failed.answer || (isPage ? notKept() : Response.error()));
    event.waitUntil(asked.catch(() => {})); // a late answer is still put away
    const slow = new Promise((resolve, reject) => setTimeout(reject, PATIENCE, { why: 'slow' }));
    return Promise.race([asked, slow]).catch(({ why }) => {
      if (isPage) {
        fromCopy.set(event.resultingClientId, why);
        if (fromCopy.size > 100) fromCopy.delete(fromCopy.keys().next().value);
      }
      return kept;
    });
  }

  function notKept() {
    const styles = [...FIRST.keys()].filter((path) => /^assets\/stylesheets\/(main\..*|site)\.css$/.test(path));
    const page = '<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>Not in this copy</title>'
      + styles.map((path) => '<link rel="stylesheet" href="' + addressOf(path) + '">').join('')
      + '<body data-md-color-scheme="default"><main class="md-grid md-typeset"><h1>Not in this copy</h1>'
      + '<p>There is no network, and this page was not opened while there was one. The copy was made on ' + COPY.made + '.</p>'
      + '<p><a href="' + addressOf('index.html') + '">To the first page</a></p></main></body></html>';
    return new Response(page, { status: 503, headers: { 'Content-Type': 'text/html; charset=utf-8' } });
  }

  self.addEventListener('install', (event) => event.waitUntil(install()));
  self.addEventListener('activate', (event) => event.waitUntil(activate()));
  self.addEventListener('fetch', (event) => {
    const { request } = event;
    if (request.method !== 'GET' || request.headers.has('range')) return;
    const path = fileOf(request.url);
    if (path) event.respondWith(answer(event, path));
  });
  // clock.js asks how its page came here.
  self.addEventListener('message', (event) => {
    if (event.data === 'copy' && event.source) event.source.postMessage({ content: COPY.content, made: COPY.made, why: fromCopy.get(event.source.id) || '' });
  });
}());
