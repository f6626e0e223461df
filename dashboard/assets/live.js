// Live: hears the drink under way as server-sent events, draws it, and sounds the moment to stop. Nothing from outside.
"use strict";

(function () {
  const FRAME_MS = 17, WORDS_MS = 90;
  const MAIN = { weighing: "Take what is on the scale", ready: "Start", moving: "Stop", after: "Take what is on the scale" };
  const NAMES = ["recipe", "technique", "vessel", "ice", "target", "devices", "probe", "speed", "world", "blind"];
  const live = { source: null, root: null, state: null, shown: null, probe: [], others: {}, estimates: [], cued: "", tones: [], audio: null, worded_ms: 0, owed: null };
  window.chillrigLive = live;

  const shown = (said) => window.chillrigUnits.text(said);
  const at = (id) => document.getElementById(id);
  const minus = (text) => text.replace(/-(?=[\d.])/g, "\u2212");
  const number = (value, digits, unit) =>
    value === null || value === undefined ? "–" : minus((Math.abs(value) < 0.5 * 10 ** -digits ? 0 : value).toFixed(digits)) + (unit ? ` ${unit}` : "");

  function make(tag, facts, ...inside) {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(facts || {})) {
      if (name === "onclick") element.addEventListener("click", value);
      else if (value !== null && value !== undefined && value !== false) element.setAttribute(name, value === true ? "" : name === "aria-label" ? shown(value) : value);
    }
    element.append(...inside.filter((part) => part !== null).map(shown));
    return element;
  }

  function say(element, said) {
    const text = shown(said);
    if (element && element.textContent !== text) element.textContent = text;
  }

  // A block is made anew only when what it shows has changed, so that focus and voices stay where they are.
  function fill(element, key, build) {
    const text = JSON.stringify(key);
    if (!element || element.dataset.key === text) return;
    element.dataset.key = text;
    element.replaceChildren(...build());
  }

  // Sound, made here. A browser lets a page sound only after somebody has pressed something on it.
  function wakeSound() {
    const Sound = window.AudioContext;
    if (!live.audio && Sound) live.audio = new Sound();
    if (live.audio && live.audio.state === "suspended") live.audio.resume();
  }

  // After so many seconds, by the sound card's own clock; gives what takes it back while it has not sounded yet.
  function tone(name, pulses, hertz, each_s, after_s = 0) {
    live.tones.push(name);
    if (!live.audio) return () => {};
    const waves = [];
    for (let k = 0; k < pulses; k++) {
      const from = live.audio.currentTime + after_s + 1.6 * k * each_s;
      const wave = live.audio.createOscillator(), loud = live.audio.createGain();
      wave.frequency.value = hertz;
      loud.gain.setValueAtTime(0.0001, from);
      loud.gain.exponentialRampToValueAtTime(0.5, from + 0.01);
      loud.gain.setValueAtTime(0.5, from + each_s - 0.02);
      loud.gain.exponentialRampToValueAtTime(0.0001, from + each_s);
      wave.connect(loud).connect(live.audio.destination);
      wave.start(from);
      wave.stop(from + each_s);
      waves.push(wave);
    }
    return () => waves.forEach((wave) => wave.stop());
  }
  const soundReady = () => tone("ready", 1, 660, 0.12);
  const soundStop = (after_s) => tone("stop", 3, 988, 0.22, after_s);

  function ask(act, facts) {
    wakeSound();
    return fetch("/live/act", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ act, ...facts }),
    })
      .then((answer) => answer.json())
      .then((answer) => trouble(answer.said))
      .catch(() => trouble("The dashboard does not answer. What was read is on file."));
  }

  function trouble(words) {
    const box = at("live-trouble");
    if (!box) return;
    say(box, words || "");
    box.hidden = !words;
  }

  function chosen() {
    const asked = {};
    for (const name of NAMES) {
      const input = document.querySelector(`#live-${name} input:checked`);
      if (input) asked[name] = input.value;
    }
    asked.port = [...document.querySelectorAll("#live-port input:checked")].map((input) => input.value);
    for (const name of ["operator", "session"]) asked[name] = (at(`live-${name}`) || {}).value || "";
    const seed = new URLSearchParams(window.location.search).get("seed");
    if (seed) asked.seed = seed;
    asked.bench = live.root.dataset.bench;
    return asked;
  }

  function begin() {
    ask("begin", { asked: chosen() });
  }

  function main() {
    const state = live.state;
    if (state && state.phase in MAIN) ask("go", { phase: state.phase });
    else if (canAgain()) ask("again");
  }

  const canAgain = () => live.state && live.state.phase === "idle" && live.state.kept && live.state.kept.again && !live.state.watching;

  // What is told.
  function hear(event) {
    const told = JSON.parse(event.data);
    if (told.begin) {
      live.probe = [];
      live.others = {};
      live.estimates = [];
      live.cued = "";
    }
    live.probe.push(...(told.probe || []));
    for (const [name, points] of Object.entries(told.others || {})) (live.others[name] = live.others[name] || []).push(...points);
    live.estimates.push(...(told.estimates || []));
    // what has not changed is not told again
    live.state = told.begin ? told : { ...live.state, ...told };
    if (live.lost) trouble("");
    live.lost = false;
    cue(live.state);
    soon();
  }

  function cue(told) {
    const word = told.phase === "moving" && told.call ? told.call.word : "";
    const due = word === "stop" || word === "past it" ? "stop" : word === "get ready" ? "ready" : "";
    if (told.phase !== "moving") live.cued = "";
    else if ((due === "stop" && live.cued !== "stop") || (due === "ready" && !live.cued)) {
      live.cued = due;
      if (due === "stop") soundStop();
      else soundReady();
      window.chillrigPhone.buzz(due);
    }
  }

  function show(told, before) {
    const idle = told.phase === "idle";
    at("live-wait").hidden = !(idle && told.watching);
    if (idle && told.watching) say(at("live-wait"), "This screen only watches. The next drink shows here as soon as it is begun.");
    at("live-stage").hidden = idle;
    if (live.root.id === "live-room") return live.wall(told);
    if (live.root.id === "live-remote") return live.remote(told);
    at("live-choice").hidden = !idle || told.watching;
    say(at("live-remotes"), told.remotes ? "Phones may start and stop: take that back" : "Let phones start and stop");
    const { idleBlock, stage } = window.chillrigStage;
    fill(at("live-idle"), idle ? [told.kept, told.interrupted, told.discarded, told.asked, told.watching] : [], () => (idle ? idleBlock(told) : []));
    fill(at("live-stage"), [told.phase, told.watching, told.drink], () => (idle ? [] : stage(told)));
    window.chillrigMetronome.follow(told.phase === "moving" && !told.watching);
    if (!before || before.phase !== told.phase) hold(told, before);
    if (idle) return;
    // figures go on by the tenth of a second; what is to be acted on is there at once
    const word = (of) => [of.phase, of.asked, of.step, of.call && of.call.word, of.trust && of.trust.state, of.landing && of.landing.big].join("|");
    const wait = before && word(before) === word(told) ? WORDS_MS - (performance.now() - live.worded_ms) : 0;
    if (wait <= 0) words();
    else if (!live.owed) live.owed = window.setTimeout(words, wait);
    draw();
  }

  // Where a press goes on after another: the one thing to do next has the focus, and is in sight.
  function hold(told, before) {
    const first = at("live-act") || at("live-keep") || at("live-again");
    const free = !document.activeElement || document.activeElement === document.body || !document.activeElement.isConnected;
    if (before && (before.phase === "idle" || told.phase === "idle")) window.scrollTo(0, 0);
    if (first && free) first.focus({ preventScroll: true });
  }

  function words() {
    window.clearTimeout(live.owed);
    live.owed = null;
    live.worded_ms = performance.now();
    if (live.root && live.root.id === "live" && live.state && live.state.phase !== "idle") window.chillrigStage.numbers(live.state);
  }

  function chart() {
    return make("figure", { class: "live-figure" },
      make("canvas", { id: "live-canvas", role: "img", "aria-label": "Temperature and estimated dilution against seconds of motion, with the target's window" }),
      make("figcaption", { id: "live-caption" }, "Thick line: the drink, estimated, with its 90 % band. Dots: its probe as read. Thin lines: other probes. Shaded: the target."));
  }

  live.parts = { MAIN, at, ask, chart, fill, main, make, number, say, trouble };

  // Once a frame at most: what comes faster is shown together, and a page that nobody sees shows nothing. Where a
  // frame was long in coming, as on a busy computer, the next one waits as long again: what is shown stays fresh.
  function soon() {
    if (live.waits) return;
    live.waits = true;
    const asked = performance.now();
    window.requestAnimationFrame(function () {
      const before = live.shown;
      live.shown = live.state;
      if (live.root && live.state) show(live.state, before);
      const took = performance.now() - asked - FRAME_MS;
      window.setTimeout(function () {
        live.waits = false;
        if (live.state && live.shown !== live.state) soon();
      }, Math.max(0, took));
    });
  }

  function draw() {
    const canvas = at("live-canvas");
    if (!canvas) return;
    window.chillrigChart.draw(canvas, live.state, live);
    live.drawn_s = live.probe.length ? live.probe[live.probe.length - 1][0] : null;
  }

  // What the wall of a class (live_wall.js) and a remote (live_remote.js) need of all this.
  Object.assign(live, { soundStop, wakeSound });

  // Coming and going of the pages.
  function look() {
    const root = at("live") || at("live-room") || at("live-remote");
    if (root === live.root) return;
    if (live.root && live.root.id === "live-remote") live.remoteGoes();
    live.root = root;
    if (live.source) live.source.close();
    live.source = null;
    if (window.chillrigMetronome) window.chillrigMetronome.follow(false);
    if (!root) return;
    Object.assign(live, { state: null, shown: null, probe: [], others: {}, estimates: [], cued: "" });
    live.source = new EventSource("/live/events");
    live.source.onmessage = hear;
    live.source.onerror = function () {
      live.lost = true;
      trouble("The dashboard does not answer just now. What the recorder has read is on file.");
    };
    if (root.id === "live") {
      at("live-begin").addEventListener("click", begin);
      at("live-tone").addEventListener("click", function () { wakeSound(); soundStop(); });
      if (at("live-remotes")) at("live-remotes").addEventListener("click", () => ask("remotes", { allowed: !live.state.remotes }));
    } else if (root.id === "live-remote") live.remoteComes();
  }

  document.addEventListener("keydown", function (event) {
    if (event.key !== " " || event.repeat || event.ctrlKey || event.altKey || event.metaKey) return;
    if (!live.root || live.root.id !== "live" || !live.state || !(live.state.phase in MAIN || canAgain())) return;
    if (event.target.closest("button, input, textarea, select, a, summary, label, [role='radio']")) return;
    event.preventDefault();
    main();
  });
  function again() {
    if (live.state && live.state.phase !== "idle") draw();
  }
  window.addEventListener("resize", again);
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
  new MutationObserver(again).observe(document.documentElement, { attributes: true, attributeFilter: ["data-theme"] });
  window.addEventListener("pagehide", function () { if (live.source) live.source.close(); });
  new MutationObserver(look).observe(document.documentElement, { childList: true, subtree: true });
})();
