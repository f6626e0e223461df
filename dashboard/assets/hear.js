// Hears a shake through this computer's microphone. Of the sound only its power in the band leaves the page.
"use strict";

(function () {
  const NOWHERE = "A browser gives its microphone only to pages of its own computer (its address begins with 127.0.0.1), or to ones with a certificate. "
    + "Open the dashboard there, or record the take with a phone and use: chillrig hear take.wav";
  const REFUSED = "The browser did not give the microphone. Allow it for this page beside its address, or use: chillrig hear take.wav";
  const hearing = { stream: null, audio: null, take: null, frames: 0, frame_s: 0.004, last_ms: 0, told: null };
  window.chillrigHearing = hearing;

  const at = (id) => document.getElementById(id);
  function say(words) {
    const box = at("hear-said");
    if (box) box.textContent = words;
  }

  async function listen() {
    if (!navigator.mediaDevices || !navigator.mediaDevices.getUserMedia || !window.AudioWorkletNode) return say(NOWHERE);
    const plain = { echoCancellation: false, noiseSuppression: false, autoGainControl: false };
    try {
      hearing.stream = await navigator.mediaDevices.getUserMedia({ audio: plain });
    } catch (error) {
      return say(error.name === "NotFoundError" ? "This computer has no microphone that the browser sees." : REFUSED);
    }
    try {
      hearing.audio = new AudioContext();
      const band = await (await fetch(`/live/hear/band?rate=${hearing.audio.sampleRate}`)).json();
      if (band.said) throw new Error(band.said);
      await hearing.audio.audioWorklet.addModule("/live/hear/worklet.js");
      const node = new AudioWorkletNode(hearing.audio, "band-power", { numberOfOutputs: 0, processorOptions: band });
      const age_s = () => (performance.now() - hearing.last_ms) / 1000 + hearing.frames * hearing.frame_s;
      Object.assign(hearing, { take: window.chillrigTake.take("power", age_s, meanwhile), frames: 0, frame_s: band.frame_s, shaken: false, told: null });
      node.port.onmessage = (message) => hear(message.data);
      hearing.audio.createMediaStreamSource(hearing.stream).connect(node);
    } catch (error) {
      close();
      return say(`It cannot be heard here: ${error.message}`);
    }
    // a page that was left meanwhile does not go on listening
    if (!at("hear-toggle")) return close();
    at("hear-toggle").textContent = "Done: what was heard?";
    say("Listening. Rest, shake, rest.");
  }

  function hear(frames) {
    hearing.take.add(frames.map((value) => Number(value.toPrecision(5))));
    hearing.frames += frames.length;
    hearing.last_ms = performance.now();
    if (!at("hear-toggle")) return close();
    const seconds = Math.floor(hearing.frames * hearing.frame_s);
    say(`Listening for ${seconds} s. ${hearing.shaken ? "A shake is heard." : "Rest, shake, rest."}`);
  }

  // What the dashboard makes of it while it goes on: the drink under way starts and stops by it.
  function meanwhile(told) {
    if (told.heard) hearing.shaken = true;
    if (told.said) say(told.said);
  }

  function close() {
    if (hearing.stream) hearing.stream.getTracks().forEach((track) => track.stop());
    if (hearing.audio) hearing.audio.close();
    if (hearing.take) hearing.take.leave();
    hearing.stream = hearing.audio = null;
    if (at("hear-toggle")) at("hear-toggle").textContent = "Hear the shake";
  }

  async function done() {
    const take = hearing.take;
    close();
    say("Working out what was heard …");
    hearing.told = await take.done();
    say(hearing.told.said);
    const note = at("hear-note");
    if (note) note.hidden = !hearing.told.may_note;
  }

  async function note() {
    const answer = await window.chillrigTake.post({ run: at("hear-run").value, bench: at("live").dataset.bench });
    say(answer.said);
  }

  document.addEventListener("click", function (event) {
    if (event.target.id === "hear-toggle") (hearing.stream ? done : listen)();
    else if (event.target.id === "hear-keep") note();
  });
  window.addEventListener("pagehide", close);
})();
