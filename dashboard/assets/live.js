// Live: hears the drink under way as server-sent events, draws it, and sounds the moment to stop. Nothing from outside.
"use strict";

(function () {
  const FRAME_MS = 17, WORDS_MS = 90;
  const MAIN = { weighing: "Take what is on the scale", ready: "Start", moving: "Stop", after: "Take what is on the scale" };
  const live = { source: null, root: null, state: null, shown: null, probe: [], others: {}, estimates: [], cued: "", tones: [], audio: null, worded_ms: 0, owed: null };
  window.chillrigLive = live;

  const at = (id) => document.getElementById(id);
  const minus = (text) => text.replace(/-(?=[\d.])/g, "\u2212");
  const number = (value, digits, unit) =>
    value === null || value === undefined ? "–" : minus((Math.abs(value) < 0.5 * 10 ** -digits ? 0 : value).toFixed(digits)) + (unit ? ` ${unit}` : "");

  function make(tag, facts, ...inside) {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(facts || {})) {
      if (name === "onclick") element.addEventListener("click", value);
      else if (value !== null && value !== undefined && value !== false) element.setAttribute(name, value === true ? "" : value);
    }
    element.append(...inside.filter((part) => part !== null));
    return element;
  }

  function say(element, text) {
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

  function tone(name, pulses, hertz, each_s) {
    live.tones.push(name);
    if (!live.audio) return;
    for (let k = 0; k < pulses; k++) {
      const from = live.audio.currentTime + 1.6 * k * each_s;
      const wave = live.audio.createOscillator(), loud = live.audio.createGain();
      wave.frequency.value = hertz;
      loud.gain.setValueAtTime(0.0001, from);
      loud.gain.exponentialRampToValueAtTime(0.5, from + 0.01);
      loud.gain.setValueAtTime(0.5, from + each_s - 0.02);
      loud.gain.exponentialRampToValueAtTime(0.0001, from + each_s);
      wave.connect(loud).connect(live.audio.destination);
      wave.start(from);
      wave.stop(from + each_s);
    }
  }
  const soundReady = () => tone("ready", 1, 660, 0.12);
  const soundStop = () => tone("stop", 3, 988, 0.22);

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
    for (const name of ["recipe", "technique", "vessel", "ice", "target", "devices", "probe", "speed"]) {
      const input = document.querySelector(`#live-${name} input:checked`);
      if (input) asked[name] = input.value;
    }
    asked.port = [...document.querySelectorAll("#live-port input:checked")].map((input) => input.value);
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
  }

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
    else if (due === "stop" && live.cued !== "stop") {
      live.cued = "stop";
      soundStop();
    } else if (due === "ready" && !live.cued) {
      live.cued = "ready";
      soundReady();
    }
  }

  function show(told, before) {
    const idle = told.phase === "idle";
    at("live-wait").hidden = !(idle && told.watching);
    if (idle && told.watching) say(at("live-wait"), "This screen only watches. The next drink shows here as soon as it is begun.");
    at("live-stage").hidden = idle;
    if (live.root.id === "live-room") return live.wall(told);
    at("live-choice").hidden = !idle || told.watching;
    fill(at("live-idle"), idle ? [told.kept, told.interrupted, told.asked, told.watching] : [], () => (idle ? idleBlock(told) : []));
    fill(at("live-stage"), [told.phase, told.watching, told.drink], () => (idle ? [] : stage(told)));
    if (idle) return;
    // figures go on by the tenth of a second; what is to be acted on is there at once
    const word = (of) => [of.phase, of.asked, of.step, of.call && of.call.word].join("|");
    const wait = before && word(before) === word(told) ? WORDS_MS - (performance.now() - live.worded_ms) : 0;
    if (wait <= 0) words();
    else if (!live.owed) live.owed = window.setTimeout(words, wait);
    draw();
    if (!before || before.phase !== told.phase) {
      const first = at("live-act") || at("live-keep");
      const free = !document.activeElement || document.activeElement === document.body || !document.activeElement.isConnected;
      if (first && free) first.focus({ preventScroll: true });
    }
  }

  function words() {
    window.clearTimeout(live.owed);
    live.owed = null;
    live.worded_ms = performance.now();
    if (live.root && live.root.id === "live" && live.state && live.state.phase !== "idle") numbers(live.state);
  }

  function idleBlock(told) {
    const out = [];
    if (told.kept) {
      const at_run = `/runs/${encodeURIComponent(told.kept.run)}?${new URLSearchParams({ bench: told.kept.bench })}`;
      out.push(
        make("div", { class: "notice know", role: "status", id: "live-kept" },
          make("p", {}, told.kept.words),
          told.kept.run ? make("p", {}, make("a", { href: at_run }, `Look at run ${told.kept.run}`)) : null));
    }
    for (const left of told.interrupted || []) {
      out.push(
        make("div", { class: "notice mind live-left" },
          make("p", {}, `Interrupted: ${left.words}`),
          told.watching ? null : make("button", { class: "do", onclick: () => ask("recover", { run: left.run }) }, "Bring it in"),
          told.watching ? null : make("button", { class: "quiet-do", onclick: () => ask("set aside", { run: left.run }) }, "Set it aside")));
    }
    return out;
  }

  function stage(told) {
    const phase = told.phase, acts = [];
    if (phase in MAIN) acts.push(make("button", { id: "live-act", class: `do vast ${phase}`, onclick: main }, MAIN[phase]));
    if (phase === "weighing" || phase === "after")
      acts.push(make("button", { id: "live-skip", class: "quiet-do", onclick: () => ask("skip", { step: live.state.step }) }, "Leave this one out"));
    if (phase === "moving" || phase === "ready")
      acts.push(make("button", { id: "live-mark", class: "quiet-do", onclick: () => ask("mark", { text: "marked by hand" }) }, "Mark this moment"));
    if (phase === "done")
      acts.push(
        make("label", { for: "live-note", class: "legend" }, "Note"),
        make("input", { id: "live-note", class: "written", maxlength: "500", autocomplete: "off" }),
        make("button", { id: "live-keep", class: "do vast", onclick: () => ask("keep", { text: at("live-note").value }) }, "Keep this run"),
        make("button", { id: "live-discard", class: "quiet-do", onclick: () => ask("discard") }, "Discard it"));
    else if (phase === "trouble") acts.push(make("button", { class: "do vast", onclick: () => ask("clear") }, "Choose again"));
    else if (phase !== "opening" && phase !== "moving") acts.push(make("button", { id: "live-end", class: "quiet-do", onclick: () => ask("end") }, "End here"));
    const shown = phase !== "opening" && phase !== "trouble";
    const steps = shown && (phase === "weighing" || phase === "after" || phase === "done");
    return [
      make("p", { class: "live-drink" }, told.drink, make("span", { id: "live-goal", class: "quiet" })),
      make("div", { class: "live-now" },
        make("p", { id: "live-word", class: "live-word", role: "alert" }),
        make("p", { id: "live-asked", class: "live-asked", role: "status" }),
        shown ? make("p", { id: "live-big", class: "live-big" }) : null,
        shown ? make("p", { id: "live-second", class: "live-second" }) : null,
        make("p", { id: "live-said", class: "quiet", role: "status" }),
        told.watching ? make("p", { class: "quiet" }, "This screen only watches.") : make("div", { class: "live-acts" }, ...acts)),
      shown ? make("div", { class: "live-side" },
        steps ? make("ol", { id: "live-steps", class: "live-steps" }) : null,
        phase === "weighing" ? null : chart()) : null,
      shown ? make("ul", { id: "live-ports", class: "live-ports", "aria-label": "Devices" }) : null,
    ].filter((part) => part !== null);
  }

  function chart() {
    return make("figure", { class: "live-figure" },
      make("canvas", { id: "live-canvas", role: "img", "aria-label": "Temperature and estimated dilution against seconds of motion, with the target's window" }),
      make("figcaption", { id: "live-caption" }, "Thick line: the drink, estimated, with its 90 % band. Dots: its probe as read. Thin lines: other probes. Shaded: the target."));
  }

  function targetWords(t) {
    if (!t) return "no target";
    const parts = [];
    if (t.temp_c_max !== null) parts.push(`at or below ${number(t.temp_c_max, 1, "°C")}`);
    if (t.dilution_pct) parts.push(`dilution ${number(t.dilution_pct[0], 0)} to ${number(t.dilution_pct[1], 0, "%")}`);
    return `${t.name}: ${parts.join(", ")}`;
  }

  // The giant figure of the moment, the one below it, and the word to act on.
  function giant(told) {
    const call = told.call || {}, temp = number(told.temp_c, 1, "°C");
    if (told.phase === "weighing" || told.phase === "after")
      return [number(told.net_g, 1, "g"), told.expected_g === null ? "any mass will do" : `of ${number(told.expected_g, 1, "g")}`, ""];
    if (told.phase === "ready") return [temp, call.waiting || "", ""];
    if (told.phase === "done") return [number(told.moved_s, 1, "s"), `of motion, ${temp} at the end`, ""];
    const moved = `${number(told.moved_s, 1, "s")} so far`;
    const drink = call.temp_c ? `drink ${number(call.temp_c[1], 1, "°C")}, water ${number(call.dilution_pct[1], 0, "%")}` : `probe ${temp}`;
    if (call.word === "stop" || call.word === "past it")
      return ["STOP", `${drink} · ${moved}`, call.word === "stop" ? "Stop now" : "Past the best moment: stop"];
    if (call.left_s === null || call.left_s === undefined) return [number(told.moved_s, 1, "s"), call.waiting ? `${drink} · ${call.waiting}` : drink, ""];
    const left = `${Math.max(0, call.left_s).toFixed(call.left_s < 10 ? 1 : 0)} s`;
    const word = { "keep going": "Keep going", "get ready": "Get ready", "no good moment": "No moment lands well; this is the best" }[call.word] || "";
    return [left, `left · ${moved} · ${drink}`, word];
  }

  function numbers(told) {
    const [big, second, word] = giant(told);
    say(at("live-big"), big);
    say(at("live-second"), second);
    say(at("live-word"), word);
    say(at("live-asked"), word ? "" : told.asked || "");
    say(at("live-goal"), ` · ${targetWords(told.target)}${told.simulated ? " · simulated devices" : ""}`);
    say(at("live-said"), [told.said, told.call && told.call.note].filter(Boolean).map((t) => t[0].toUpperCase() + t.slice(1)).join(". "));
    at("live-stage").className = big === "STOP" ? "cue-stop" : word === "Get ready" ? "cue-ready" : "";
    if (told.trouble) trouble(told.trouble);
    fill(at("live-steps"), told.steps, () => told.steps.map(step));
    fill(at("live-ports"), told.ports, () => told.ports.map((p) =>
      make("li", {}, make("b", {}, `${p.ok ? "●" : "○"} ${p.name}: ${p.state}`), ` ${p.words}`)));
  }

  function step(s) {
    const mark = { weighed: "✓", now: "▸", "left out": "–", "to come": "" }[s.state];
    const mass = s.mass_g !== null ? number(s.mass_g, 1, "g") : s.expected_g !== null ? `${number(s.expected_g, 1, "g")} to come` : s.state;
    return make("li", { class: s.state.replace(" ", "-"), "aria-current": s.state === "now" ? "step" : null },
      make("span", { class: "mark", "aria-hidden": "true" }, mark), make("span", {}, s.name), make("span", { class: "mass" }, mass));
  }

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

  // What the wall of a class (live_wall.js) needs of all this.
  Object.assign(live, { at, make, say, fill, number, giant, targetWords, soundStop, wakeSound });

  // Coming and going of the pages.
  function look() {
    const root = at("live") || at("live-room");
    if (root === live.root) return;
    live.root = root;
    if (live.source) live.source.close();
    live.source = null;
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
    }
  }

  document.addEventListener("keydown", function (event) {
    if (event.key !== " " || event.repeat || event.ctrlKey || event.altKey || event.metaKey) return;
    if (!live.root || live.root.id !== "live" || !live.state || !(live.state.phase in MAIN)) return;
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
