// A phone as the remote of Live: one giant thing to press, the moment to stop seen, heard and felt.
"use strict";

(function () {
  const live = window.chillrigLive;
  const { MAIN, at, ask, fill, main, make, number, say } = live.parts;
  const SKIPS = ["weighing", "after"];
  const STANDS = { idle: "No drink is under way", opening: "Opening the devices …", done: "Stopped", trouble: "Trouble on the page Live" };

  live.remote = function (told) {
    const may = !told.watching || told.remotes, idle = told.phase === "idle";
    const [big, second, word] = idle || !told.call ? ["", "", ""] : window.chillrigStage.giant(told);
    say(at("remote-drink"), idle ? "" : told.drink);
    say(at("remote-word"), STANDS[told.phase] || word || told.asked || "");
    say(at("remote-big"), idle ? "" : big);
    say(at("remote-second"), idle ? ways(told) : second);
    say(at("remote-cadence"), window.chillrigStage.cadence(told));
    at("remote-now").className = big === "STOP" ? "cue-stop" : word === "Get ready" ? "cue-ready" : "";
    fill(at("remote-acts"), [told.phase, may], () => (may ? acts(told.phase) : [make("p", { class: "quiet" },
      "This phone only watches. On the computer that records, open Live and let phones start and stop.")]));
    can();
  };

  function ways(told) {
    return told.kept ? told.kept.landed || told.kept.words : "It is begun on the computer that records, on the page Live.";
  }

  function acts(phase) {
    const out = [];
    if (phase in MAIN) out.push(make("button", { id: "remote-act", class: `do vast ${phase}`, onclick: pressed }, MAIN[phase]));
    if (SKIPS.includes(phase)) out.push(make("button", { id: "remote-skip", class: "quiet-do", onclick: () => ask("skip", { step: live.state.step }) }, "Leave this one out"));
    return out;
  }

  // A press stops what still sounds and buzzes; the next moment has its own.
  function pressed() {
    window.chillrigPhone.buzz("none");
    main();
  }

  // What the phone does, and what its browser refuses, in words.
  function can() {
    const sounds = live.audio && live.audio.state === "running";
    const lines = [sounds ? "It sounds at the moment to stop." : "No sound yet: the browser waits for a press.", ...window.chillrigPhone.can()];
    fill(at("remote-can"), lines, () => lines.map((line) => make("li", {}, line)));
    say(at("remote-ready"), sounds ? "Try the moment to stop" : "Make this phone ready");
  }

  // One press gives a page its sound, its buzz and its screen.
  function ready() {
    live.wakeSound();
    live.soundStop();
    window.chillrigPhone.buzz("stop");
    window.chillrigPhone.stayAwake("remote", true);
    if (live.audio) live.audio.addEventListener("statechange", can, { once: true });
    can();
  }

  // The phone's motion sensor, strapped to the arm or the tin: it starts and stops the drink as a press does.
  const TOO_FAST_MS = 5, SILENT_MS = 2000, M_S2 = (value) => Math.round(1000 * value) / 1000;
  const feeling = { take: null, began_ms: 0, last_ms: 0, timer: null, told: null };
  live.feeling = feeling;
  const felt = (words) => say(at("remote-felt"), words);

  async function feel() {
    if (feeling.take) return feelNoMore("It feels no more.");
    const Motion = window.DeviceMotionEvent;
    if (!Motion || !window.isSecureContext) {
      return felt(window.isSecureContext ? "This browser gives no motion sensor." : `The motion sensor is refused: ${window.chillrigPhone.SECURE}.`);
    }
    if (Motion.requestPermission && (await Motion.requestPermission().catch(() => "denied")) !== "granted") {
      return felt("The motion sensor was not allowed. Allow it for this page, then press again.");
    }
    Object.assign(feeling, { began_ms: performance.now(), last_ms: 0, told: null });
    feeling.take = window.chillrigTake.take("motion", () => (performance.now() - feeling.began_ms) / 1000, meanwhile);
    window.addEventListener("devicemotion", moved);
    feeling.timer = window.setTimeout(() => feeling.last_ms || feelNoMore("This phone has no motion sensor that its browser gives."), SILENT_MS);
    say(at("remote-feel"), "Feel no more");
    felt("Strap the phone tightly to the arm or the tin. Rest, shake, rest.");
  }

  function moved(event) {
    const a = event.acceleration && event.acceleration.x !== null ? event.acceleration : event.accelerationIncludingGravity;
    if (!a || a.x === null || !feeling.take || event.timeStamp < feeling.began_ms || event.timeStamp - feeling.last_ms < TOO_FAST_MS) return;
    feeling.last_ms = event.timeStamp;
    feeling.take.add([[(event.timeStamp - feeling.began_ms) / 1000, M_S2(a.x), M_S2(a.y), M_S2(a.z)]]);
  }

  function meanwhile(told) {
    feeling.told = told;
    if (told.said) felt(told.said);
    else if (told.heard) felt(told.given ? "A shake is felt: the drink goes by it." : "A shake is felt.");
  }

  function feelNoMore(words) {
    window.removeEventListener("devicemotion", moved);
    window.clearTimeout(feeling.timer);
    if (feeling.take) feeling.take.leave();
    feeling.take = null;
    say(at("remote-feel"), "Start and stop by this phone's motion");
    felt(words);
  }

  live.remoteComes = function () {
    window.chillrigPhone.changed = () => at("remote-can") && can();
    at("remote-ready").addEventListener("click", ready);
    at("remote-feel").addEventListener("click", feel);
    can();
  };

  live.remoteGoes = function () {
    window.chillrigPhone.stayAwake("remote", false);
    feelNoMore("");
  };
})();
