/* What must be known before the page is drawn. Runs in the head, before all other scripts.
 *
 * Where the browser refuses storage, even asking for it throws, and every script that asks would stop. This stands in for
 * it with a memory that ends with the page, and says so in cards.keepsNothing.
 *
 * A card that has changed since it was read is held back until memory.js has put the changes on top of it: nothing jumps
 * under the reader's eye. memory.css lets it go after two seconds in any case. */
(function () {
  'use strict';
  const cards = window.cards = window.cards || {};

  function works(name) {
    try {
      const store = window[name];
      store.getItem('cards:probe');
      store.setItem('cards:probe', '1');
      store.removeItem('cards:probe');
      return true;
    } catch (error) {
      // A full store still gives back what it holds.
      return Boolean(error) && error.name === 'QuotaExceededError';
    }
  }

  function standIn() {
    const held = new Map();
    return {
      get length() { return held.size; },
      key: function (n) { return Array.from(held.keys())[n] || null; },
      getItem: function (key) { return held.has(String(key)) ? held.get(String(key)) : null; },
      setItem: function (key, value) { held.set(String(key), String(value)); },
      removeItem: function (key) { held.delete(String(key)); },
      clear: function () { held.clear(); }
    };
  }

  cards.keepsNothing = !works('localStorage');
  ['localStorage', 'sessionStorage'].forEach(function (name) {
    if (works(name)) return;
    try {
      Object.defineProperty(window, name, {value: standIn(), configurable: true});
    } catch (error) { /* the browser holds on to its own; each script must cope by itself */ }
  });

  const card = document.querySelector('meta[name="card-version"]');
  try {
    const read = card && JSON.parse(localStorage.getItem('cards:read'))[card.dataset.card];
    if (Array.isArray(read) && read[0] !== card.content) document.documentElement.classList.add('card-changed');
  } catch (error) { /* nothing was read */ }
}());
