// A pupil's phone: one guess for the drink under way, then how near it was. Nothing from outside.
"use strict";

(function () {
  const EVERY_MS = 1500;
  const at = (id) => document.getElementById(id);
  const slider = at("value");
  let asked = null;

  function words(value) {
    return `${Number(value).toFixed(asked.digits).replace("-", "\u2212")} ${asked.unit}`;
  }

  function say(id, text) {
    if (at(id).textContent !== text) at(id).textContent = text;
  }

  function moved() {
    say("shown", words(slider.value));
  }

  function step(by) {
    if (by > 0) slider.stepUp();
    else slider.stepDown();
    moved();
  }

  function show(told) {
    if (!asked || asked.name !== told.asked.name) {
      asked = told.asked;
      for (const name of ["min", "max", "step"]) slider[name] = { min: asked.low, max: asked.high, step: asked.step }[name];
      slider.value = (asked.low + asked.high) / 2;
      moved();
    }
    say("question", asked.words);
    const may = told.open && !told.mine;
    if (at("form").hidden === may) at("form").hidden = !may;
    say("said", said(told));
  }

  function said(told) {
    const ended = told.ended, mine = told.mine;
    if (ended) {
      const truth = `It came to ${words(ended.truth)}.`;
      if (!mine) return truth;
      const off = Math.abs(mine.value - ended.truth).toFixed(asked.digits);
      const place = ended.place === 1 ? "Nobody was nearer" : `${ended.place - 1} of ${ended.count} were nearer`;
      return `${truth} You said ${words(mine.value)}: ${off} ${asked.unit === "°C" ? "K" : asked.unit} off. ${place}.`;
    }
    if (mine) return `Your guess: ${words(mine.value)}. Now look at the wall.`;
    return told.open ? "" : "Guessing is closed: the drink is on its way. Look at the wall.";
  }

  function ask() {
    fetch("/class/state")
      .then((answer) => (answer.ok ? answer.json() : Promise.reject(answer.status)))
      .then(show)
      .catch((why) => say("said", why === 401 ? "Scan the code on the wall again." : "The dashboard does not answer just now."));
  }

  at("form").addEventListener("submit", function (event) {
    event.preventDefault();
    fetch("/class/guess", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ name: at("name").value, value: Number(slider.value) }),
    })
      .then((answer) => answer.json())
      .then((told) => (told.said ? say("said", told.said) : show(told)))
      .catch(() => say("said", "The dashboard does not answer just now. Send it again."));
  });
  slider.addEventListener("input", moved);
  at("less").addEventListener("click", () => step(-1));
  at("more").addEventListener("click", () => step(1));
  ask();
  window.setInterval(function () { if (!document.hidden) ask(); }, EVERY_MS);
})();
