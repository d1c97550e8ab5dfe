/* Search from a folder on disk.
 *
 * A browser starts no Worker from a file:// page, so the theme's search would stay silent in a
 * copy of the site on a stick or a shared drive. There, and only there, this script puts in place
 * of Worker an object with the same surface, whose script runs inside a hidden frame of the page.
 * Over http and https it does nothing and the browser's own Worker is used.
 *
 * Both names below are fixed by others: the offline plugin looks for "iframe-worker" in this file's
 * name, and the theme's search script asks its parent for "IFrameWorker" before it loads a language.
 */
(function () {
  "use strict";

  if (location.protocol !== "file:") return;

  class FrameWorker extends EventTarget {
    constructor(address) {
      super();
      this.onmessage = null;
      this.onerror = null;
      this.waiting = []; // messages sent before the script inside has loaded
      this.inside = null; // the frame's window, once its script has run
      this.frame = document.createElement("iframe");
      this.frame.hidden = true;
      this.frame.title = "Search";

      // A document written by the page shares the page's origin; one loaded from disk would not.
      const script = document.createElement("script");
      script.src = new URL(address, document.baseURI).href;
      this.frame.srcdoc = "<!doctype html><title>Search</title>" + script.outerHTML;
      this.frame.addEventListener("load", () => this.begin());
      document.body.append(this.frame);
    }

    begin() {
      const inside = this.frame.contentWindow;
      if (!inside || this.inside) return;
      // A worker's postMessage and importScripts, in the place where its script looks for them.
      inside.postMessage = (data) => this.later(() => this.tell("message", { data: structuredClone(data) }));
      inside.importScripts = (...addresses) => FrameWorker.load(inside.document, addresses);
      inside.addEventListener("error", (event) => this.tell("error", { message: event.message }));
      this.inside = inside;
      for (const data of this.waiting.splice(0)) this.deliver(data);
    }

    /** Sends a copy of data to the script inside, as Worker.postMessage does. */
    postMessage(data) {
      if (this.inside) this.deliver(data);
      else this.waiting.push(data);
    }

    deliver(data) {
      this.later(() => {
        const inside = this.inside;
        inside.dispatchEvent(new inside.MessageEvent("message", { data: inside.structuredClone(data) }));
      });
    }

    /** Runs in its own turn, so that neither side waits inside the other's call. */
    later(action) {
      setTimeout(() => {
        if (this.frame) action();
      }, 0);
    }

    tell(kind, details) {
      const event = Object.assign(new Event(kind), details);
      if (typeof this["on" + kind] === "function") this["on" + kind](event);
      this.dispatchEvent(event);
    }

    terminate() {
      if (this.frame) this.frame.remove();
      this.frame = this.inside = null;
    }

    /** Loads scripts one after another; a promise, where a worker's importScripts would block. */
    static load(page, addresses) {
      return addresses.reduce(
        (before, address) =>
          before.then(
            () =>
              new Promise((resolve, reject) => {
                const script = page.createElement("script");
                script.src = address;
                script.addEventListener("load", () => resolve());
                script.addEventListener("error", () => reject(new Error("Could not load " + address)));
                page.head.append(script);
              })
          ),
        Promise.resolve()
      );
    }
  }

  window.IFrameWorker = FrameWorker;
  window.Worker = FrameWorker;
})();
