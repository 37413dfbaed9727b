"use strict";
// Keeps a page up to date while its lesson is followed. The desk puts this into what it sends,
// with the version of what the page shows; nothing of it is in the release.
(() => {
  const shown = document.currentScript.dataset.version;
  const store = "place " + location.pathname;
  const players = () => [...document.querySelectorAll("audio, video")];
  const playing = () => players().some((player) => !player.paused && !player.ended);

  // -- where the reader is, kept over a renewal ------------------------------------------------

  const keepPlace = () => {
    const open = [...document.querySelectorAll("details")].map((one) => one.open);
    const times = players().map((player) => [player.getAttribute("src"), player.currentTime]);
    const kept = { x: scrollX, y: scrollY, open, times: times.filter(([, time]) => time > 0) };
    try {
      sessionStorage.setItem(store, JSON.stringify(kept));
    } catch {
      // no storage: the browser's own memory of the place has to do
    }
  };

  const findPlace = () => {
    let kept = null;
    try {
      kept = JSON.parse(sessionStorage.getItem(store));
      sessionStorage.removeItem(store);
    } catch {
      return;
    }
    if (!kept) return;
    document.querySelectorAll("details").forEach((one, place) => {
      one.open = kept.open[place] ?? one.open;
    });
    for (const [source, time] of kept.times) {
      const player = players().find((one) => one.getAttribute("src") === source);
      if (player) player.currentTime = time;
    }
    const go = () => scrollTo({ left: kept.x, top: kept.y, behavior: "instant" });
    go();
    addEventListener("load", go, { once: true }); // pictures have their height by then
  };

  // -- the notice ------------------------------------------------------------------------------

  const host = document.createElement("div");
  const root = host.attachShadow({ mode: "open" });
  const style = document.createElement("style");
  style.textContent = `
    div { position: fixed; right: 1rem; bottom: 1rem; z-index: 9; max-width: min(34rem, calc(100vw - 2rem));
      max-height: 40vh; overflow: auto; padding: .7rem 1rem; background: #1c1c1f; color: #fff;
      font: 15px/1.4 system-ui, sans-serif; border: 1px solid #fff; overflow-wrap: anywhere; }
    div:empty { display: none; }
    p { margin: 0; } p + p { margin-top: .35rem; }
    button { font: inherit; margin-top: .5rem; padding: .2rem .8rem; color: #1c1c1f; background: #fff; border: 0; }
    button:focus-visible { outline: 3px solid #fff; outline-offset: 2px; }
    @media print { div { display: none; } }`;
  const notice = document.createElement("div");
  notice.setAttribute("role", "status");
  root.append(style, notice);
  let lines = "";

  const say = (texts, button = "", act = null) => {
    const now = JSON.stringify([texts, button]);
    if (now === lines) return; // a screen reader would read it again
    lines = now;
    notice.replaceChildren(
      ...texts.map((text) => Object.assign(document.createElement("p"), { textContent: text })),
    );
    if (!button) return;
    const pressed = Object.assign(document.createElement("button"), { type: "button", textContent: button });
    pressed.addEventListener("click", act);
    notice.append(pressed);
  };

  // -- news ------------------------------------------------------------------------------------

  let last = null; // what was heard last
  let soon = 0; // a timer: short builds are not worth a word
  let leaving = false;

  const renew = () => {
    if (leaving) return;
    leaving = true;
    keepPlace();
    location.reload();
  };

  const show = () => {
    if (!last || leaving) return;
    clearTimeout(soon);
    if (last.version !== shown) {
      if (!playing()) {
        renew();
        return;
      }
      say(["There is a new version. It is shown when nothing plays any more."], "Show it now", renew);
    } else if (last.building) {
      soon = setTimeout(() => say(["Building…"]), 300);
    } else if (last.wrong.length) {
      say(["Not up to date:", ...last.wrong]);
    } else {
      say([]);
    }
  };

  // one pause may be a hand on its way to another place in the piece
  for (const kind of ["pause", "ended"]) document.addEventListener(kind, () => setTimeout(show, 800), true);

  let stream = null;
  const hear = () => {
    if (stream || document.hidden) return;
    stream = new EventSource("/.desk/news?page=" + encodeURIComponent(location.pathname));
    stream.addEventListener("message", (event) => {
      last = JSON.parse(event.data);
      show();
    });
    stream.addEventListener("error", () => {
      if (!leaving) say(["Nothing is followed any more: this page stays as it is. Start it again in the terminal."]);
    });
  };
  // a browser opens few connections to one place: pages that nobody sees leave theirs to others
  const hush = () => {
    stream?.close();
    stream = null;
  };
  document.addEventListener("visibilitychange", () => (document.hidden ? hush() : hear()));
  addEventListener("pagehide", () => {
    leaving = true;
    hush();
  });
  addEventListener("pageshow", () => {
    leaving = false;
    hear();
  });

  document.body.append(host);
  findPlace();
  hear();
})();
