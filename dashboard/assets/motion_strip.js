// Drags where motion starts and stops on a run's small picture, by mouse, finger or keyboard; the lines below say the same.
"use strict";

(function () {
  const STEP_S = 0.1, LEAST_S = 0.1;
  const KEYS = { ArrowLeft: -STEP_S, ArrowDown: -STEP_S, ArrowRight: STEP_S, ArrowUp: STEP_S, PageDown: -1, PageUp: 1, Home: -Infinity, End: Infinity };

  const number = (text) => (/^\s*-?\d+([.,]\d+)?\s*(s)?\s*$/.test(text) ? Number.parseFloat(text.replace(",", ".")) : null);
  const field = (at) => {
    const found = document.getElementById(at);
    return found && (found.matches("input") ? found : found.querySelector("input"));
  };

  function begin(root) {
    const facts = JSON.parse(root.dataset.facts);
    const handles = { start: root.querySelector(".strip-start"), stop: root.querySelector(".strip-stop") };
    const at = { start: 0, stop: facts.stop };

    const share = (s) => facts.edge + (1 - 2 * facts.edge) * ((s - facts.first) / (facts.last - facts.first));
    const seconds = (part) => facts.first + ((part - facts.edge) / (1 - 2 * facts.edge)) * (facts.last - facts.first);

    function show() {
      for (const [name, handle] of Object.entries(handles)) {
        const s = at[name];
        handle.hidden = s === null;
        if (s === null) continue;
        handle.style.left = `${100 * Math.min(Math.max(share(s), 0), 1)}%`;
        handle.setAttribute("aria-valuemin", (facts.first + facts.own).toFixed(1));
        handle.setAttribute("aria-valuemax", (facts.last + facts.own).toFixed(1));
        handle.setAttribute("aria-valuenow", (s + facts.own).toFixed(1));
        handle.setAttribute("aria-valuetext", name === "start" ? `at ${(s + facts.own).toFixed(1)} s` : `after ${(s - at.start).toFixed(1)} s`);
      }
    }

    function write(name, text) {
      const of = facts.fields[name], line = field(of.at);
      if (line && line.value !== text) window.dash_clientside.set_props(of.id, { value: text });
    }

    function move(name, s) {
      const low = name === "start" ? facts.first : at.start + LEAST_S;
      const high = name === "start" && at.stop !== null ? at.stop - LEAST_S : facts.last;
      // tenths of the time that is typed, so that what is dragged can be typed again
      const rounded = Math.round((Math.min(Math.max(s, low), high) + facts.own) * 10) / 10 - facts.own;
      if (rounded === at[name]) return;
      at[name] = rounded;
      if (name === "start") write("start", (rounded + facts.own).toFixed(1));
      if (at.stop !== null) write("duration", (at.stop - at.start).toFixed(1));
      show();
    }

    // What somebody types; an empty start is the one that was found, and a time of day waits until it is read.
    function typed() {
      const start = field(facts.fields.start.at), duration = field(facts.fields.duration.at);
      const s = start && number(start.value), d = duration && number(duration.value);
      if (start && start.value.trim() === "") at.start = 0;
      else if (s !== null) at.start = s - facts.own;
      if (d !== null && d > 0) at.stop = at.start + d;
      show();
    }

    for (const [name, handle] of Object.entries(handles)) {
      handle.addEventListener("pointerdown", function (event) {
        handle.setPointerCapture(event.pointerId);
        handle.focus();
        event.preventDefault();
      });
      handle.addEventListener("pointermove", function (event) {
        if (!handle.hasPointerCapture(event.pointerId)) return;
        const box = root.getBoundingClientRect();
        move(name, seconds((event.clientX - box.left) / box.width));
      });
      handle.addEventListener("keydown", function (event) {
        if (!(event.key in KEYS)) return;
        event.preventDefault();
        move(name, at[name] + KEYS[event.key]);
      });
    }
    document.addEventListener("input", function heard(event) {
      if (!root.isConnected) document.removeEventListener("input", heard);
      else if (Object.values(facts.fields).some((of) => field(of.at) === event.target)) typed();
    });
    typed();
    show();
  }

  const known = new WeakSet();
  new MutationObserver(function () {
    for (const root of document.querySelectorAll(".strip[data-facts]")) if (!known.has(root)) known.add(root), begin(root);
  }).observe(document.documentElement, { childList: true, subtree: true });
})();
