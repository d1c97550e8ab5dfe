/* The source behind a claim, one tap away: the number in a mark opens its reference beneath the claim.
 * Without script the same link leads to the list of sources at the foot of the page. */
(function () {
  'use strict';

  let open = null; // {link, note}

  function shut(back) {
    if (!open) return;
    const link = open.link;
    open.note.remove();
    link.removeAttribute('aria-expanded');
    link.removeAttribute('aria-controls');
    open = null;
    if (back) link.focus();
  }

  function show(link, source) {
    const note = document.createElement('span');
    note.className = 'cited';
    note.id = 'cited-source';
    note.setAttribute('role', 'note');
    note.setAttribute('aria-label', 'Source ' + link.textContent);
    for (const part of source.childNodes) note.append(part.cloneNode(true));
    link.closest('.basis').after(note);
    link.setAttribute('aria-expanded', 'true');
    link.setAttribute('aria-controls', note.id);
    open = {link: link, note: note};
  }

  document.addEventListener('click', function (event) {
    const link = event.target.closest && event.target.closest('.basis a[href^="#source-"]');
    // A modified click is the reader's own way of opening the place in the list.
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
    const source = document.getElementById(link.hash.slice(1));
    if (!source) return;
    event.preventDefault();
    const again = open && open.link === link;
    shut(false);
    if (!again) show(link, source);
  });

  document.addEventListener('keydown', function (event) {
    if (event.key === 'Escape') shut(true);
  });
})();
