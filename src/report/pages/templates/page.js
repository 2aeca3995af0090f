// Puts in the parts of the page that the service sends as they change. Without this script the page is the same, and loads
// itself anew from time to time.
"use strict";
(() => {
  const main = document.querySelector("main[data-live]");
  const said = document.getElementById("said");
  const line = document.getElementById("line");
  if (!main || !said || !line) return;
  // What is read aloud changes no oftener than this, in milliseconds.
  const SAY_EACH = 5000;
  let wanted = said.textContent;
  let waits = false;

  function sayWanted() {
    waits = said.textContent !== wanted;
    if (!waits) return;
    said.textContent = wanted;
    window.setTimeout(sayWanted, SAY_EACH);
  }

  function say(words) {
    wanted = words;
    if (!waits) sayWanted();
  }

  function put(old, sent) {
    if (!old || !sent || old.isEqualNode(sent)) return;
    old.replaceWith(document.importNode(sent, true));
  }

  function take(html) {
    // A document made in this way runs no script and loads nothing; the service escapes every foreign text in it.
    const sent = new DOMParser().parseFromString(html, "text/html").getElementById("now");
    const shown = document.getElementById("now");
    if (!sent || !shown) return;
    document.title = sent.dataset.title;
    say(sent.dataset.said);
    if (shown.dataset.key !== sent.dataset.key) {
      put(shown, sent);
      return;
    }
    const parts = new Map([...shown.querySelectorAll("[data-part]")].map((part) => [part.dataset.part, part]));
    for (const part of sent.querySelectorAll("[data-part]")) put(parts.get(part.dataset.part), part);
  }

  const source = new EventSource(main.dataset.live);
  source.addEventListener("now", (event) => {
    line.hidden = true;
    take(event.data);
  });
  source.addEventListener("error", () => {
    line.hidden = false;
    // The service has sent this visitor away: another try would only be sent away again.
    if (source.readyState === EventSource.CLOSED) window.setTimeout(() => window.location.reload(), 15000);
  });
})();
