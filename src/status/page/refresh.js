"use strict";
// Has the page made anew when the daemon says that something has happened. Without it the page is as whole, and older.
(() => {
  if (!window.EventSource || !window.fetch) return;
  const stale = document.getElementById("stale");
  let busy = false;
  let again = false;
  const refresh = async () => {
    again = true;
    if (busy) return;
    busy = true;
    while (again) {
      again = false;
      try {
        const answer = await fetch("./", { cache: "no-store" });
        if (!answer.ok) continue;
        const next = new DOMParser().parseFromString(await answer.text(), "text/html");
        const main = next.querySelector("main");
        if (main) {
          document.querySelector("main").replaceWith(document.adoptNode(main));
          document.title = next.title;
        }
      } catch {
        // The event stream tells that the daemon is away.
      }
    }
    busy = false;
  };
  const events = new EventSource("events");
  let first = true;
  events.onmessage = () => {
    stale.hidden = true;
    if (!first) refresh();
    first = false;
  };
  events.onerror = () => {
    stale.hidden = false;
  };
})();
