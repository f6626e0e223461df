// By hand: leads through one drink, keeps time on this phone's own clock, and keeps all that was typed on the phone until
// the logbook has it. The server is asked beside it all and never waited for, until the drink is to be judged.
"use strict";

(function () {
  const KEY = "chillrig.by-hand", TICK_MS = 100, AGAIN_MS = 2500, CUE_AHEAD_S = 1.2;
  const CHOSEN = ["recipe", "technique", "vessel", "ice", "target", "ways", "blind"];
  const hand = { root: null, facts: null, state: null, answer: null, call: null, wrong: {}, timer: null, cued: false, silence: null,
    begun_here_ms: null, was_hidden: false, asks: 0, cues: [] };
  window.chillrigHand = hand;

  const at = (id) => document.getElementById(id);
  const parts = () => window.chillrigLive.parts;
  const minus = (text) => String(text).replace(/-(?=[\d.])/g, "\u2212");

  // What the phone remembers: the drink as far as it has got. Another bench has a drink of its own.
  function key() {
    return `${KEY}:${hand.root.dataset.bench}`;
  }

  function remembered() {
    try {
      return JSON.parse(window.localStorage.getItem(key()));
    } catch {
      return null;
    }
  }

  function remember() {
    try {
      if (hand.state) window.localStorage.setItem(key(), JSON.stringify(hand.state));
      else window.localStorage.removeItem(key());
    } catch {
      // a browser that keeps nothing: the drink goes on all the same
    }
  }

  function number() {
    // randomUUID is there only over HTTPS and on this computer itself
    return [...window.crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");
  }

  // The steps of the drink, by what was chosen.
  function before(state) {
    const recipe = hand.facts.recipes[state.asked.recipe];
    const pours = state.asked.ways === "whole" ? [recipe.whole] : recipe.before.filter((a) => a.name.startsWith("pour "));
    return [...pours, ...recipe.before.filter((a) => !a.name.startsWith("pour "))];
  }
  const after = (state) => (hand.facts.targets[state.asked.target] || hand.facts).after;
  const step = (state) => (state.phase === "before" ? before(state)[state.at] : state.phase === "after" ? after(state)[state.at] : null);
  const all = (state) => [...before(state), ...after(state)];

  // The clock. While the page is in sight and was not loaded anew, the monotonic one; a phone that slept has only the
  // other one, which goes on meanwhile.
  function moved_s() {
    const state = hand.state;
    if (!state || !state.started_ms) return 0;
    if (state.moved_s !== undefined) return state.moved_s;
    const whole = hand.begun_here_ms !== null && !hand.was_hidden;
    return Math.max(0, (whole ? performance.now() - hand.begun_here_ms : Date.now() - state.started_ms) / 1000);
  }

  // When a press happened, by the clock of `performance.now`: the script may come to it late.
  const pressed_ms = (event) => (event && event.timeStamp > 0 && event.timeStamp <= performance.now() ? event.timeStamp : performance.now());

  // Asking. What was typed is sent whole each time, so that no answer hangs on an earlier one.
  function ask(path, more) {
    const state = hand.state;
    const sent = { bench: hand.root.dataset.bench || null, asked: state.asked, typed: state.typed, number: state.number, ...more };
    return fetch(`/by-hand/${path}`, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(sent) })
      .then((answer) => answer.json());
  }

  // What the numbers were taken for, and at the start the call; asked anew while there is none and one is wanted.
  function look(wants_call) {
    const mine = ++hand.asks, of = hand.state.number;
    const current = () => mine === hand.asks && hand.state && hand.state.number === of;
    const again = () => current() && ["ready", "moving"].includes(hand.state.phase) && !hand.state.call && window.setTimeout(() => current() && look(wants_call), AGAIN_MS);
    ask(wants_call ? "call" : "read").then((told) => {
      if (!current()) return;
      trouble(told.said);
      hand.wrong = told.wrong || {};
      hand.state.values = told.values || {};
      if (told.call) hand.state.call = told.call;
      remember();
      words();
      if (told.working || (wants_call && told.said)) again();
    }).catch(again);
  }

  function trouble(said) {
    parts().say(at("hand-trouble"), said || "");
    at("hand-trouble").hidden = !said;
  }

  // Going on.
  function begin() {
    const asked = {};
    for (const name of CHOSEN) asked[name] = (document.querySelector(`#hand-${name} input:checked`) || { value: "" }).value;
    for (const name of ["operator", "session"]) asked[name] = at(`hand-${name}`).value;
    fresh(asked);
  }

  function fresh(asked) {
    hand.state = { number: number(), asked, phase: "before", at: 0, typed: {} };
    Object.assign(hand, { wrong: {}, cued: false, begun_here_ms: null, was_hidden: false });
    window.chillrigLive.wakeSound();
    awake();
    go();
  }

  function go(changes) {
    Object.assign(hand.state, changes);
    remember();
    show();
  }

  function next(text) {
    const state = hand.state, of = step(state);
    if (text === null) delete state.typed[of.name];
    else state.typed[of.name] = text;
    if (of.name === "strained_mass_g" && !state.back) state.strained_ms = Date.now();
    if (state.back) {
      const anew = state.back.phase === "ready";
      go({ ...state.back, back: undefined, ...(anew ? { call: undefined } : {}) });
      return look(anew);
    }
    const last = state.at + 1 >= (state.phase === "before" ? before(state) : after(state)).length;
    if (!last) go({ at: state.at + 1 });
    else if (state.phase === "before") go({ phase: "ready", at: 0, call: undefined });
    else go({ phase: "check", at: 0 });
    look(hand.state.phase === "ready");
  }

  function back() {
    const state = hand.state;
    if (state.phase === "before" && state.at === 0) return leave();
    if (state.phase === "ready") return go({ phase: "before", at: before(state).length - 1 });
    if (state.phase === "check") return go({ phase: "after", at: after(state).length - 1 });
    if (state.at > 0) go({ at: state.at - 1 });
  }

  // Mend one number, and come back to where one was.
  function mend(name) {
    const state = hand.state, first = before(state).findIndex((a) => a.name === name);
    const where = { phase: state.phase, at: state.at };
    if (state.phase === "moving") return;
    if (first >= 0) go({ phase: "before", at: first, back: where });
    else go({ phase: "after", at: after(state).findIndex((a) => a.name === name), back: where });
  }

  function leave() {
    hand.state = null;
    remember();
    awake();
    window.chillrigMetronome.follow(false);
    trouble("");
    show();
  }

  function start(event) {
    const pressed = pressed_ms(event);
    Object.assign(hand, { begun_here_ms: pressed, was_hidden: false, cued: false });
    window.chillrigLive.wakeSound();
    go({ phase: "moving", started_ms: Date.now() - (performance.now() - pressed) });
  }

  function stop(event) {
    const late_s = (performance.now() - pressed_ms(event)) / 1000;
    hush();
    go({ moved_s: Math.max(0, moved_s() - late_s), phase: "after", at: 0 });
  }

  function keep() {
    const state = hand.state;
    at("hand-keep").disabled = true;
    const age_s = (Date.now() - state.started_ms) / 1000;
    ask("keep", { moved_s: state.moved_s, age_s }).then((told) => {
      if (told.said) {
        trouble(told.said);
        if (at("hand-keep")) at("hand-keep").disabled = false;
        return;
      }
      trouble("");
      go({ phase: "kept", kept: told });
      awake();
    }).catch(() => {
      trouble("The dashboard does not answer. All that you typed is on this phone: press again.");
      if (at("hand-keep")) at("hand-keep").disabled = false;
    });
  }

  function undo() {
    ask("undo").then((told) => {
      if (told.said) return trouble(told.said);
      go({ phase: "check", kept: undefined, number: number() });
      trouble("Taken back. It is still on this phone: mend it and keep it again, or leave it.");
    }).catch(() => trouble("The dashboard does not answer: press again."));
  }

  // The moment called: put into the sound card's time a little ahead, so that a slow page does not make it late.
  function cue() {
    const state = hand.state, left_s = state.call ? state.call.cue_s - moved_s() : NaN;
    if (state.asked.blind === "yes" || !(left_s < CUE_AHEAD_S) || hand.cued) return;
    hand.cued = true;
    hand.silence = window.chillrigLive.soundStop(Math.max(0, left_s));
    hand.cues.push(state.call.cue_s);
    hand.buzz = window.setTimeout(() => window.chillrigPhone.buzz("stop"), Math.max(0, 1000 * left_s));
  }

  function hush() {
    if (hand.silence) hand.silence();
    hand.silence = null;
    window.clearTimeout(hand.buzz);
    window.chillrigPhone.buzz("none");
  }

  const awake = () => window.chillrigPhone.stayAwake("by hand", !!hand.root && !!hand.state && hand.state.phase !== "kept");

  // What is seen.
  function show() {
    const { fill } = parts(), state = hand.state;
    at("hand-choice").hidden = !!state;
    at("hand-stage").hidden = !state;
    window.chillrigMetronome.follow(!!state && state.phase === "moving");
    window.clearInterval(hand.timer);
    fill(at("hand-stage"), state ? [state.number, state.phase, state.at, state.back, state.kept] : [], () => (state ? stage(state) : []));
    if (!state) return;
    if (state.phase === "moving") hand.timer = window.setInterval(turn, TICK_MS);
    words();
    const first = at("hand-typed") || at("hand-start") || at("hand-stop") || at("hand-keep") || at("hand-again");
    if (first) first.focus({ preventScroll: true });
    window.scrollTo(0, 0);
  }

  function turn() {
    if (!hand.root || !hand.root.isConnected || !hand.state || hand.state.phase !== "moving") return window.clearInterval(hand.timer);
    cue();
    words();
  }

  function stage(state) {
    const { make } = parts(), a = state.asked, of = step(state);
    const press = (id, text, kind, act) => make("button", { id, class: kind, type: "button", onclick: act }, text);
    const head = make("p", { class: "live-drink" }, `${a.recipe}: ${a.technique} · ${a.vessel} · ${a.ice}`,
      make("span", { class: "quiet" }, a.target ? ` · ${hand.facts.targets[a.target].words}` : " · no target"));
    const foot = make("div", { class: "live-apart hand-leave" },
      ["before", "ready", "check"].includes(state.phase) || state.at > 0 ? press("hand-back", "Back", "quiet-do", back) : null,
      press("hand-leave", "Leave this drink", "quiet-do", () => window.confirm("Leave this drink? What you typed is gone.") && leave()));
    if (of) return [head, ...typing(state, of), list(state), foot];
    if (state.phase === "ready") return [head, make("p", { class: "live-asked" }, `All is weighed. Start, and ${a.technique} at once.`),
      make("p", { id: "hand-call", class: "live-second", role: "status" }),
      make("div", { class: "live-acts" }, press("hand-start", "Start", "do vast hand-vast", start)), metronome(a), list(state), foot];
    if (state.phase === "moving") return [head, make("p", { id: "hand-word", class: "live-word", role: "alert" }), make("p", { id: "hand-big", class: "live-big" }),
      make("p", { id: "hand-call", class: "live-second" }),
      make("div", { class: "live-acts" }, press("hand-stop", "Stop", "do vast hand-vast moving", stop)), metronome(a)];
    if (state.phase === "check") return [head, make("p", { class: "live-asked" }, "Is this all as you read it?"), list(state),
      make("div", { class: "live-acts" }, press("hand-keep", "Keep, and tell me", "do vast hand-vast", keep)), foot];
    return kept(state, press, head);
  }

  function metronome(asked) {
    return window.chillrigMetronome.block(JSON.parse(hand.root.dataset.usualHz || "{}")[asked.technique] || null);
  }

  function typing(state, of) {
    const { make } = parts();
    const field = make("input", { id: "hand-typed", class: "written hand-typed", inputmode: "decimal", autocomplete: "off", maxlength: "30", enterkeyhint: "next",
      "aria-describedby": "hand-hint" });
    field.value = state.typed[of.name] || "";
    const expected = of.expected === null ? "" : `the recipe has ${minus(of.expected.toFixed(1))} ${of.unit}`;
    const form = make("form", { class: "hand-form" },
      make("label", { for: "hand-typed", class: "live-asked" }, of.words),
      make("div", { class: "hand-line" }, field, make("span", { class: "hand-unit" }, of.unit)),
      make("p", { id: "hand-hint", class: "quiet" }, [expected, "with a comma or a point; other units if you write them"].filter(Boolean).join(" · ")),
      make("div", { class: "live-acts" }, make("button", { id: "hand-next", class: "do vast hand-vast" }, "Next"),
        make("button", { id: "hand-skip", class: "quiet-do", type: "button", onclick: () => next(null) }, "Leave it out")));
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      if (field.value.trim()) next(field.value.trim());
      else field.focus();
    });
    return [form];
  }

  // All that was typed, as it was taken, with what cannot be right said beside it; each can be mended.
  function list(state) {
    const { make } = parts();
    return make("div", { id: "hand-list" }, ...all(state).filter((a) => a.name in state.typed).map((a) =>
      make("div", { class: "hand-row", "data-name": a.name },
        make("span", {}, SHORT[a.name] || a.words.replace(/^Pour /, "")),
        make("button", { class: "quiet-do", type: "button", onclick: () => mend(a.name) }, make("span", { class: "hand-value" })),
        make("p", { class: "hand-wrong", role: "alert" }))),
      state.moved_s === undefined ? null : make("div", { class: "hand-row" }, make("span", {}, "Moved"), make("b", {}, `${state.moved_s.toFixed(1)} s`)));
  }

  function kept(state, press, head) {
    const { make, number } = parts(), told = state.kept, found = told.landing, blind = told.by_feel;
    const figure = (name, band, factor, digits, unit) => make("div", {}, make("dt", {}, name),
      make("dd", {}, make("b", {}, band ? number(factor * band.p50, digits, unit) : "–"),
        make("small", {}, band ? `${number(factor * band.p05, digits)} to ${number(factor * band.p95, digits)}` : "not measured")));
    const [big, by] = found ? found.headline.split(/: (.*)/s) : ["Kept", "no target to land in"];
    const at_run = `/runs/${encodeURIComponent(told.run)}${hand.root.dataset.bench ? `?${new URLSearchParams({ bench: hand.root.dataset.bench })}` : ""}`;
    return [head,
      make("p", { class: "live-big hand-landed", id: "hand-landed" }, big), make("p", { class: "live-second" }, by || ""),
      make("dl", { class: "live-pair" }, figure("drink", found && found.temp_c, 1, 1, "°C"), figure("water", found && found.dilution_by_volume, 100, 0, "%")),
      make("p", { class: "live-why", id: "hand-why" }, found ? found.why : ""),
      blind ? make("div", { id: "hand-score", class: "notice know" }, make("h2", {}, `By feel: ${blind.last}`),
        make("p", {}, blind.practise), make("p", {}, `${blind.rate} ${blind.timing}; ${blind.missed}.`)) : null,
      foam(told.foam_half_life_s, state, press),
      ...told.odd.map((words) => make("p", { class: "notice mind" }, words)),
      make("p", { class: "live-tally" }, told.tally),
      make("div", { class: "live-acts" }, press("hand-again", "Again", "do vast hand-vast", () => fresh(state.asked))),
      make("p", {}, `Kept as run ${told.run}. `, make("a", { href: at_run }, "Look at it")),
      make("div", { class: "live-apart hand-leave" }, press("hand-undo", "Undo: take it back", "quiet-do", undo), press("hand-done", "Another drink", "quiet-do", leave)),
    ].filter(Boolean);
  }

  // Half of the foam gone: said, and rung where somebody asks for it. It counts from the straining, by this phone's clock.
  function foam(half_s, state, press) {
    const { make, say } = parts();
    if (!half_s || !state.strained_ms) return null;
    const left_s = () => half_s[1] - (Date.now() - state.strained_ms) / 1000;
    const when = `Half of the foam should be gone ${half_s[1].toFixed(0)} s after straining (${half_s[0].toFixed(0)} to ${half_s[2].toFixed(0)})`;
    if (left_s() <= 0) return make("p", { id: "hand-foam" }, `${when}: it should be by now.`);
    const ring = press("hand-ring", "Ring then", "quiet-do", () => {
      ring.disabled = true;
      say(ring, "It will ring");
      window.setTimeout(() => {
        window.chillrigLive.soundStop(0);
        window.chillrigPhone.buzz("stop");
        say(ring, "Look at the foam now");
      }, Math.max(0, 1000 * left_s()));
    });
    return make("div", { id: "hand-foam", class: "live-acts" }, make("p", {}, `${when}.`), ring);
  }

  const SHORT = { drink_temp_c: "before the ice", ice_mass_g: "ice", end_temp_c: "at the end", strained_mass_g: "in the glass", foam_ml: "with its foam", drink_mass_g: "the whole drink" };

  function words() {
    const { say } = parts(), state = hand.state;
    if (!state) return;
    for (const row of document.querySelectorAll("#hand-list .hand-row[data-name]")) {
      const name = row.dataset.name, of = all(state).find((a) => a.name === name), value = (state.values || {})[name];
      const shown = value === undefined || hand.wrong[name] ? state.typed[name] : `${minus(Number(value.toFixed(2)))} ${of.unit}`;
      say(row.querySelector(".hand-value"), shown || "");
      say(row.querySelector(".hand-wrong"), hand.wrong[name] ? `${hand.wrong[name]}. Press it to mend it.` : "");
    }
    const call = state.call, blind = state.asked.blind === "yes", s = moved_s();
    if (state.phase === "ready")
      say(at("hand-call"), blind ? "The call is hidden: stop by feel." : call ? `${call.headline}. ${call.assumes}.` : state.asked.target ? "The call is on its way; you need not wait for it." : "");
    if (state.phase !== "moving") {
      at("hand-stage").className = state.phase === "kept" && state.kept.landing ? (state.kept.landing.landed === null ? "has-unknown" : state.kept.landing.landed ? "has-landed" : "has-missed") : "";
      return;
    }
    const left_s = call && !blind ? call.cue_s - s : null;
    const due = left_s !== null && left_s <= 0, late = due && s > call.window_s[1];
    at("hand-stage").className = due ? "cue-stop" : left_s !== null && left_s < 3 ? "cue-ready" : "";
    say(at("hand-big"), blind ? "By feel" : due ? "STOP" : `${s.toFixed(1)} s`);
    say(at("hand-word"), blind ? "Stop when it is right" : due ? (late ? "Past the best moment: stop" : "Stop now") : left_s !== null && left_s < 3 ? "Get ready" : "");
    say(at("hand-call"), blind ? "The seconds are hidden until you stop." : left_s === null ? (state.asked.target ? "No call yet: stop as you would." : "") :
      due ? `${s.toFixed(1)} s so far` : `${left_s.toFixed(left_s < 10 ? 1 : 0)} s left · ${call.headline}`);
  }

  // Coming and going.
  function arrive() {
    const root = at("hand");
    if (root === hand.root || (root && !window.chillrigMetronome)) return;
    hand.root = root;
    window.clearInterval(hand.timer);
    if (!root) return awake(), window.chillrigMetronome.follow(false);
    hand.facts = JSON.parse(root.dataset.facts);
    hand.begun_here_ms = null;
    hand.state = remembered();
    if (hand.state && !hand.facts.recipes[hand.state.asked.recipe]) hand.state = null;
    at("hand-begin").addEventListener("click", begin);
    show();
    if (hand.state && hand.state.phase !== "kept") {
      awake();
      look(["ready", "moving"].includes(hand.state.phase));
    }
  }

  document.addEventListener("visibilitychange", function () {
    if (document.hidden) hand.was_hidden = true;
    else if (hand.root) words();
  });
  document.addEventListener("pointerdown", () => hand.root && window.chillrigLive.wakeSound(), { capture: true });
  new MutationObserver(arrive).observe(document.documentElement, { childList: true, subtree: true });
})();
