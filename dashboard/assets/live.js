// Live: hears the drink under way as server-sent events, draws it, and sounds the moment to stop. Nothing from outside.
"use strict";

(function () {
  const NEAR_S = 3, SHORTEST_AXIS_S = 15, BEFORE_S = 2;
  const MAIN = { weighing: "Take what is on the scale", ready: "Start", moving: "Stop", after: "Take what is on the scale" };
  const live = { source: null, root: null, state: null, probe: [], estimates: [], cued: "", tones: [], audio: null };
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
    const told = JSON.parse(event.data), before = live.state;
    if (told.begin) {
      live.probe = [];
      live.estimates = [];
      live.cued = "";
      live.room = {};
    }
    live.probe.push(...(told.probe || []));
    live.estimates.push(...(told.estimates || []));
    live.state = told;
    if (live.lost) trouble("");
    live.lost = false;
    cue(told);
    show(told, before);
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
    at("live-wait").hidden = live.root.id !== "live-room" || !idle;
    at("live-stage").hidden = idle;
    if (live.root.id === "live-room") return room(told);
    at("live-choice").hidden = !idle;
    fill(at("live-idle"), idle ? [told.kept, told.interrupted, told.asked, told.watching] : [], () => (idle ? idleBlock(told) : []));
    fill(at("live-stage"), [told.phase, told.watching, told.drink], () => (idle ? [] : stage(told)));
    if (idle) return;
    numbers(told);
    draw();
    if (!before || before.phase !== told.phase) {
      const first = at("live-act") || at("live-keep");
      const free = !document.activeElement || document.activeElement === document.body || !document.activeElement.isConnected;
      if (first && free) first.focus({ preventScroll: true });
    }
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
      make("figcaption", { id: "live-caption" }, "Line: the drink, estimated, with its 90 % band. Dots: the probe as read. Shaded: the target."));
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

  // Once a frame at most: what comes faster is drawn together, and a page that nobody sees draws nothing.
  function draw() {
    if (live.drawing) return;
    live.drawing = true;
    window.requestAnimationFrame(function () {
      live.drawing = false;
      if (live.root && live.state && live.state.phase !== "idle") drawNow(live.state);
    });
  }

  // Two panels on one canvas, drawn whole each time: cheap enough for ten thousand points.
  function drawNow(told) {
    const canvas = at("live-canvas");
    if (!canvas || canvas.hidden) return;
    const begun = told.started_s;
    const near = window.devicePixelRatio || 1, wide = canvas.clientWidth, high = canvas.clientHeight;
    if (!wide) return;
    if (canvas.width !== Math.round(wide * near) || canvas.height !== Math.round(high * near)) {
      canvas.width = Math.round(wide * near);
      canvas.height = Math.round(high * near);
    }
    const pen = canvas.getContext("2d"), style = getComputedStyle(canvas), look = (name) => style.getPropertyValue(name).trim();
    pen.setTransform(near, 0, 0, near, 0, 0);
    pen.clearRect(0, 0, wide, high);
    const size = parseFloat(style.fontSize);
    pen.font = `${size}px ${style.fontFamily}`;
    const probe = begun === null || begun === undefined ? [] : since(begun, wide);
    const stop = told.call && told.call.left_s !== null && told.call.left_s !== undefined ? told.moved_s + told.call.left_s : 0;
    const until = Math.max(SHORTEST_AXIS_S, (told.moved_s || 0) + NEAR_S, told.phase === "moving" ? Math.min(stop + NEAR_S, 120) : 0);
    const t = told.target || {}, left = 4.6 * size, gap = 3.4 * size, foot = 2.4 * size, top = 1.8 * size;
    const tall = (high - top - foot - gap) / 2;
    const estimates = live.estimates;
    const frame = { pen, look, size, left, wide: wide - left - size, until, begin: -BEFORE_S };
    panel(frame, top, tall, "Temperature [°C]", [t.temp_c_min ?? null, t.temp_c_max ?? null], [
      ...probe.map((p) => p[1]), ...estimates.flatMap((e) => [e[1], e[3]])], 4,
      estimates.map((e) => [e[0], e[1], e[2], e[3]]), probe, look("--accent"), []);
    panel(frame, top + tall + gap, tall, "Dilution, estimated [%]", t.dilution_pct || [null, null], [
      0, ...estimates.flatMap((e) => [e[4], e[6]])], 10, estimates.map((e) => [e[0], e[4], e[5], e[6]]), [], look("--land"), [7, 4]);
    pen.fillStyle = look("--quiet");
    pen.textAlign = "right";
    pen.fillText("seconds of motion", wide - size, high - 0.2 * size);
  }

  // The probe from shortly before the start, thinned to what the screen has columns for; the newest is always there.
  function since(begun, most) {
    let first = live.probe.length;
    while (first > 0 && live.probe[first - 1][0] >= begun - BEFORE_S) first--;
    const step = Math.max(1, Math.ceil((live.probe.length - first) / most)), out = [];
    for (let k = live.probe.length - 1; k >= first; k -= step) out.push([live.probe[k][0] - begun, live.probe[k][1]]);
    return out;
  }

  function panel(frame, top, tall, title, window_, values, least, estimates, probe, colour, dash) {
    const { pen, look, size, left, wide, until, begin } = frame;
    const ends = [...values, ...window_.filter((v) => v !== null)].filter((v) => Number.isFinite(v));
    let low = Math.min(...(ends.length ? ends : [0])), high = Math.max(...(ends.length ? ends : [1]));
    const spare = Math.max(0.08 * (high - low), (least - (high - low)) / 2, 0.5);
    low -= low === 0 && least === 10 ? 0 : spare;
    high += spare;
    const x = (s) => left + ((s - begin) / (until - begin)) * wide;
    const y = (v) => top + ((high - v) / (high - low)) * tall;
    // the target: shaded and edged, so that it needs no colour
    if (window_[0] !== null || window_[1] !== null) {
      const from = y(window_[1] === null ? high : window_[1]), to = y(window_[0] === null ? low : window_[0]);
      pen.fillStyle = look("--window");
      pen.fillRect(left, from, wide, to - from);
      pen.strokeStyle = look("--quiet");
      pen.setLineDash([2, 3]);
      pen.lineWidth = 1.5;
      for (const edge of window_) if (edge !== null) line(pen, [[left, y(edge)], [left + wide, y(edge)]]);
      pen.setLineDash([]);
    }
    pen.fillStyle = look("--quiet");
    pen.strokeStyle = look("--rule");
    pen.lineWidth = 1;
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    const stepY = nice((high - low) / 4), stepX = nice((until - begin) / 7);
    for (let v = Math.ceil(low / stepY) * stepY; v <= high; v += stepY) {
      line(pen, [[left, y(v)], [left + wide, y(v)]]);
      pen.fillText(number(v, stepY < 1 ? 1 : 0), left - 0.5 * size, y(v));
    }
    pen.textAlign = "center";
    pen.textBaseline = "top";
    for (let s = 0; s <= until; s += stepX) pen.fillText(number(s, 0), x(s), top + tall + 0.3 * size);
    pen.textAlign = "left";
    pen.textBaseline = "alphabetic";
    pen.fillStyle = look("--ink");
    pen.fillText(title, left, top - 0.5 * size);
    pen.save();
    pen.beginPath();
    pen.rect(left, top, wide, tall);
    pen.clip();
    pen.fillStyle = look("--quiet");
    for (const [s, v] of probe) pen.fillRect(x(s) - 1.5, y(v) - 1.5, 3, 3);
    if (estimates.length) {
      pen.globalAlpha = 0.18;
      pen.fillStyle = colour;
      pen.beginPath();
      for (const e of estimates) pen.lineTo(x(e[0]), y(e[1]));
      for (const e of [...estimates].reverse()) pen.lineTo(x(e[0]), y(e[3]));
      pen.fill();
      pen.globalAlpha = 1;
      pen.strokeStyle = colour;
      pen.lineWidth = size / 5;
      pen.setLineDash(dash);
      line(pen, estimates.map((e) => [x(e[0]), y(e[2])]));
      pen.setLineDash([]);
      const last = estimates[estimates.length - 1];
      pen.fillStyle = colour;
      pen.beginPath();
      pen.arc(x(last[0]), y(last[2]), size / 2.5, 0, 7);
      pen.fill();
    }
    pen.restore();
  }

  function line(pen, points) {
    pen.beginPath();
    for (const [px, py] of points) pen.lineTo(px, py);
    pen.stroke();
  }

  function nice(least) {
    const ten = 10 ** Math.floor(Math.log10(least));
    return [1, 2, 5, 10].find((k) => k * ten >= least) * ten;
  }

  // For a room: a guess first, then the drink.
  function room(told) {
    const shared = (live.room = live.room || {});
    const limit = told.target && told.target.temp_c_max !== null && told.target.temp_c_max !== undefined ? told.target.temp_c_max : 0;
    const answers = told.phase === "idle" ? [] : [
      `above ${number(limit + 2, 0, "°C")}`, `${number(limit, 0)} to ${number(limit + 2, 0, "°C")}`,
      `${number(limit - 2, 0)} to ${number(limit, 0, "°C")}`, `below ${number(limit - 2, 0, "°C")}`];
    shared.hands = shared.hands && shared.hands.length === answers.length ? shared.hands : answers.map(() => 0);
    fill(at("room-live-guesses"), [answers, shared.hands], () => answers.map((words, k) => make("div", {},
      make("button", { class: "guess", onclick: () => raise(k, 1) }, make("span", { class: "what" }, words), make("output", {}, String(shared.hands[k]))),
      make("button", { class: "less", "aria-label": `One hand less for ${words}`, onclick: () => raise(k, -1) }, "one hand less"))));
    const reveal = at("room-live-reveal");
    reveal.hidden = told.phase === "idle" || !!shared.shown;
    reveal.onclick = () => {
      wakeSound();
      shared.shown = true;
      room(live.state);
    };
    const clock = told.phase === "moving" || told.phase === "after" || told.phase === "done" ? number(told.moved_s, 1, "s") : told.asked || "";
    say(at("room-live-clock"), told.phase === "idle" ? "" : clock);
    at("room-live-clock").className = /^[\d.]+ s$/.test(clock) ? "giant-clock" : "room-said";
    const stageOf = at("live-stage"), shown = told.phase !== "idle" && !!shared.shown;
    for (const part of [stageOf, at("room-live-guesses"), at("room-live-lead")]) part.hidden = shown !== (part === stageOf);
    if (!shown) return;
    fill(stageOf, ["room"], () => [
      make("div", { class: "live-now" },
        make("p", { id: "live-word", class: "live-word", role: "alert" }),
        ...[["drink", "room-live-temp"], ["water", "room-live-water"], ["left", "room-live-left"]].map(([words, id]) =>
          make("div", { class: "giant-card" }, make("h2", {}, words), make("p", { id, class: "giant-number" })))),
      make("div", { class: "live-side" }, chart()),
      make("p", { id: "room-live-said", class: "room-said", role: "status" })]);
    const call = told.call || {}, [big, , word] = giant(told);
    say(at("room-live-temp"), call.temp_c ? number(call.temp_c[1], 1, "°C") : number(told.temp_c, 1, "°C"));
    say(at("room-live-water"), call.dilution_pct ? number(call.dilution_pct[1], 0, "%") : "–");
    say(at("room-live-left"), told.phase === "moving" && (call.word || call.left_s) ? big : "–");
    say(at("live-word"), word);
    stageOf.className = big === "STOP" ? "cue-stop" : "";
    say(at("room-live-said"), told.phase === "after" || told.phase === "done" ? roomSaid(call, limit, answers, shared.hands) : call.note || "");
    draw();
  }

  function raise(k, by) {
    wakeSound();
    live.room.hands = live.room.hands.map((n, j) => (j === k ? Math.max(0, n + by) : n));
    room(live.state);
  }

  function roomSaid(call, limit, answers, hands) {
    if (!call.temp_c) return "";
    const temp = call.temp_c[1], k = temp > limit + 2 ? 0 : temp > limit ? 1 : temp > limit - 2 ? 2 : 3;
    const all = hands.reduce((sum, n) => sum + n, 0);
    return `It stopped at ${number(temp, 1, "°C")}: ${answers[k]}.` + (all ? ` ${hands[k]} of ${all} hand${all === 1 ? "" : "s"} had it.` : "");
  }

  // Coming and going of the pages.
  function look() {
    const root = at("live") || at("live-room");
    if (root === live.root) return;
    live.root = root;
    if (live.source) live.source.close();
    live.source = null;
    if (!root) return;
    Object.assign(live, { state: null, probe: [], estimates: [], cued: "", room: {} });
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
  window.addEventListener("resize", function () { draw(); });
  window.addEventListener("pagehide", function () { if (live.source) live.source.close(); });
  new MutationObserver(look).observe(document.documentElement, { childList: true, subtree: true });
})();
