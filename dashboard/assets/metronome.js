// A metronome for the shake: ticks are put into the sound card's own time ahead, so that no busy page makes them uneven,
// and a light goes from side to side with them. Nothing flashes; where motion is not wanted, the light stands still.
"use strict";

(function () {
  const AHEAD_S = 0.6, LOOK_MS = 120, FIRST_S = 0.08, LOWEST_HZ = 1, HIGHEST_HZ = 8, STEP_HZ = 0.25, TICK_S = 0.03;
  const STILL = window.matchMedia("(prefers-reduced-motion: reduce)");
  const KEY = "chillrig.metronome";
  const own = { hz: null, on: false, running: false, audio: null, beats: [], first_s: 0, next: 0, timer: null, frame: null, pending: [] };
  window.chillrigMetronome = own;

  try {
    Object.assign(own, JSON.parse(window.localStorage.getItem(KEY)) || {});
  } catch {
    // nothing is remembered, and nothing is lost
  }

  function remember() {
    try {
      window.localStorage.setItem(KEY, JSON.stringify({ hz: own.hz, on: own.on }));
    } catch {
      // as above
    }
  }

  // A beat every 1/hz seconds from `first_s` of the sound card's clock: counted, not added up, so that no error grows.
  function schedule() {
    const until_s = own.audio.currentTime + AHEAD_S;
    for (let at_s; (at_s = own.first_s + own.next / own.hz) < until_s; own.next++) {
      if (at_s < own.audio.currentTime) continue; // the page slept; what is past is not caught up with
      tick(at_s, own.next % 2 ? 1320 : 1760);
      own.beats.push(at_s);
      if (own.beats.length > 400) own.beats.shift();
    }
  }

  function tick(at_s, hertz) {
    const wave = own.audio.createOscillator(), loud = own.audio.createGain();
    wave.type = "triangle";
    wave.frequency.value = hertz;
    loud.gain.setValueAtTime(0.0001, at_s);
    loud.gain.exponentialRampToValueAtTime(0.35, at_s + 0.003);
    loud.gain.exponentialRampToValueAtTime(0.0001, at_s + TICK_S);
    wave.connect(loud).connect(own.audio.destination);
    wave.start(at_s);
    wave.stop(at_s + TICK_S);
    own.pending.push(wave);
    wave.onended = () => own.pending.splice(own.pending.indexOf(wave), 1);
  }

  function light() {
    own.frame = null;
    if (!own.running) return;
    const lamp = document.querySelector(".metronome-lamp");
    if (lamp && !STILL.matches) {
      const beat = Math.floor((own.audio.currentTime - own.first_s) * own.hz);
      lamp.dataset.side = beat < 0 || beat % 2 ? "right" : "left";
    }
    own.frame = window.requestAnimationFrame(light);
  }

  // Both take effect only where somebody has chosen the metronome.
  own.start = function () {
    if (!own.on || own.running || !own.hz) return;
    window.chillrigLive.wakeSound();
    own.audio = window.chillrigLive.audio;
    if (!own.audio) return;
    Object.assign(own, { running: true, first_s: own.audio.currentTime + FIRST_S, next: 0, beats: [] });
    schedule();
    own.timer = window.setInterval(schedule, LOOK_MS);
    light();
  };

  own.stop = function () {
    if (!own.running) return;
    own.running = false;
    window.clearInterval(own.timer);
    for (const wave of own.pending.splice(0)) {
      wave.onended = null;
      wave.stop();
    }
  };

  function set(hz) {
    own.hz = Math.min(HIGHEST_HZ, Math.max(LOWEST_HZ, Math.round(hz / STEP_HZ) * STEP_HZ));
    remember();
    show();
    if (own.running) {
      own.stop();
      own.start();
    }
  }

  function show() {
    for (const box of document.querySelectorAll(".metronome")) {
      box.querySelector("output").textContent = `${own.hz} a second`;
      const press = box.querySelector(".metronome-on");
      press.setAttribute("aria-pressed", String(own.on));
      press.textContent = own.on ? "Metronome is on" : "Metronome is off";
    }
  }

  // `usual`: strokes a second that are usual here; null where nothing has measured them.
  own.block = function (usual) {
    const { make } = window.chillrigLive.parts;
    if (!own.hz) own.hz = Math.round((usual || 4) / STEP_HZ) * STEP_HZ;
    const press = make("button", { class: "quiet-do metronome-on", type: "button", onclick: () => {
      own.on = !own.on;
      remember();
      show();
      if (!own.on) own.stop();
      else {
        own.start(); // four beats, so that one hears what was chosen
        if (!own.moving) window.setTimeout(() => own.moving || own.stop(), 4000 / own.hz);
      }
    } });
    const box = make("div", { class: "metronome", role: "group", "aria-label": "Metronome" },
      press,
      make("button", { class: "quiet-do metronome-step", type: "button", "aria-label": "Slower", onclick: () => set(own.hz - STEP_HZ) }, "−"),
      make("output", {}),
      make("button", { class: "quiet-do metronome-step", type: "button", "aria-label": "Faster", onclick: () => set(own.hz + STEP_HZ) }, "+"),
      usual ? make("button", { class: "quiet-do metronome-usual", type: "button", onclick: () => set(usual) }, `Usual here: ${usual.toFixed(1)}`) : null,
      make("span", { class: "metronome-lamp", "aria-hidden": "true" }));
    window.setTimeout(show);
    return box;
  };

  // The drink is in motion, or no more: the beat goes with it.
  own.follow = function (moving) {
    if (moving === !!own.moving) return;
    own.moving = moving;
    if (moving) own.start();
    else own.stop();
  };
})();
