// Keeps the page up to date. Only what differs is changed: scroll and focus stay.
(() => {
  "use strict";
  const live = document.getElementById("live");
  let stream, heard = Date.now(), lost = 0, busy = false, again = false, have = "";

  const say = (text, state) => {
    if (live.textContent !== text) live.textContent = text;
    live.className = state;
    document.documentElement.classList.toggle("old", state === "lost");
  };
  const well = () => {
    heard = Date.now();
    lost = 0;
    say("Live", "live");
  };
  const failed = () => {
    lost = lost || heard;
    say("Connection lost since " + new Date(lost).toTimeString().slice(0, 5) + ". The figures are old.", "lost");
  };

  const alike = (a, b) => a.nodeName === b.nodeName && (a.id || "") === (b.id || "");

  // sync makes the node a, which is shown, the same as b.
  const sync = (a, b) => {
    if (a.nodeType !== 1) {
      if (a.nodeValue !== b.nodeValue) a.nodeValue = b.nodeValue;
      return;
    }
    if (b.hasAttribute("data-same")) return; // the server knows that it is shown
    for (const x of [...a.attributes]) if (x.name !== "open" && !b.hasAttribute(x.name)) a.removeAttribute(x.name);
    for (const x of b.attributes) if (a.getAttribute(x.name) !== x.value) a.setAttribute(x.name, x.value);
    let at = a.firstChild;
    for (const n of [...b.childNodes]) {
      let m = at;
      while (m && !alike(m, n)) m = m.nextSibling;
      if (!m) {
        a.insertBefore(n, at);
        continue;
      }
      if (m === at) at = at.nextSibling;
      else a.insertBefore(m, at);
      sync(m, n);
    }
    while (at) {
      const next = at.nextSibling;
      at.remove();
      at = next;
    }
  };

  // at is the look at the brakes that is asked for; the newest, where there is none.
  const refresh = async at => {
    if (document.hidden) return;
    if (busy) return void (again = true);
    busy = true;
    again = false;
    try {
      const from = new URL(location.href);
      from.searchParams.set("fragment", "1");
      if (at > 0) from.searchParams.set("at", at);
      if (have) from.searchParams.set("have", have);
      const answer = await fetch(from, {cache: "no-store", signal: AbortSignal.timeout(15000)});
      if (!answer.ok) throw new Error(answer.status);
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("main");
      const focus = document.activeElement;
      sync(document.getElementById("main"), fresh);
      have = answer.headers.get("Gapward-Part") || "";
      if (focus !== document.activeElement && focus.isConnected) focus.focus({preventScroll: true});
      document.title = fresh.dataset.title;
      live.previousElementSibling.textContent = "As of " + new Date().toUTCString();
      well();
    } catch {
      failed();
    }
    busy = false;
    if (again) refresh();
  };

  const follow = () => {
    if (stream) stream.close();
    stream = new EventSource("/events?on=" + encodeURIComponent(location.pathname + location.search));
    stream.onopen = () => refresh();
    stream.onerror = failed;
    stream.addEventListener("changed", e => refresh(JSON.parse(e.data).at));
    stream.addEventListener("beat", () => lost ? refresh() : well());
  };

  follow();
  document.addEventListener("visibilitychange", () => refresh());
  // A dead line brings no error.
  setInterval(() => {
    if (document.hidden || Date.now() - heard < 40000) return;
    failed();
    follow();
  }, 20000);
})();
