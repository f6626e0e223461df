// Hears a shake through this computer's microphone. Of the sound only its power in the band leaves the page.
"use strict";

(function () {
  const MOST_FRAMES = 45000;
  const NOWHERE = "A browser gives its microphone only to pages of its own computer (its address begins with 127.0.0.1), or to ones with a certificate. "
    + "Open the dashboard there, or record the take with a phone and use: chillrig hear take.wav";
  const REFUSED = "The browser did not give the microphone. Allow it for this page beside its address, or use: chillrig hear take.wav";
  const hearing = { stream: null, audio: null, power: [], frames: 0, frame_s: 0.004, last_ms: 0, told: null };
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
      Object.assign(hearing, { power: [], frames: 0, frame_s: band.frame_s, told: null });
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
    hearing.power.push(...frames);
    hearing.frames += frames.length;
    if (hearing.power.length > MOST_FRAMES) hearing.power.splice(0, hearing.power.length - MOST_FRAMES);
    hearing.last_ms = performance.now();
    const seconds = Math.floor(hearing.frames * hearing.frame_s);
    if (!at("hear-toggle")) close();
    else say(`Listening for ${seconds} s. Rest, shake, rest.`);
  }

  function close() {
    if (hearing.stream) hearing.stream.getTracks().forEach((track) => track.stop());
    if (hearing.audio) hearing.audio.close();
    hearing.stream = hearing.audio = null;
    if (at("hear-toggle")) at("hear-toggle").textContent = "Hear the shake";
  }

  async function send(facts) {
    try {
      const answer = await fetch("/live/hear", {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify(facts),
      });
      return await answer.json();
    } catch {
      return { said: "The dashboard does not answer." };
    }
  }

  async function done() {
    const age_s = (performance.now() - hearing.last_ms) / 1000 + hearing.power.length * hearing.frame_s;
    const power = hearing.power.map((value) => Number(value.toPrecision(5)));
    close();
    say("Working out what was heard …");
    hearing.told = await send({ power, age_s });
    hearing.power = [];
    say(hearing.told.said);
    const note = at("hear-note");
    if (note) note.hidden = !hearing.told.may_note;
  }

  async function note() {
    const answer = await send({ run: at("hear-run").value, bench: at("live").dataset.bench });
    say(answer.said);
  }

  document.addEventListener("click", function (event) {
    if (event.target.id === "hear-toggle") (hearing.stream ? done : listen)();
    else if (event.target.id === "hear-keep") note();
  });
  window.addEventListener("pagehide", close);
})();
