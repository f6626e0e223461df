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

  live.remoteComes = function () {
    window.chillrigPhone.changed = () => at("remote-can") && can();
    at("remote-ready").addEventListener("click", ready);
    can();
  };
})();
