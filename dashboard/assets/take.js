// One take of sound or of motion, sent to the dashboard while it is made: a little every half second, and what is left at
// its end. The dashboard says what was heard, and lets it start and stop the drink under way.
"use strict";

(function () {
  const EVERY_MS = 500;

  async function post(facts) {
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

  // `age_s`: how long ago the take began; `heard` is told what the dashboard makes of it meanwhile.
  function take(kind, age_s, heard) {
    const own = { rows: [], under_way: null, told: null };
    const name = [...window.crypto.getRandomValues(new Uint8Array(8))].join("-");
    const send = (goes_on) => post({ take: name, [kind]: own.rows.splice(0), age_s: age_s(), ...(goes_on ? { goes_on } : {}) });
    const timer = window.setInterval(() => {
      if (own.under_way || !own.rows.length) return;
      own.under_way = send(true).then((told) => {
        own.under_way = null;
        heard(told);
      });
    }, EVERY_MS);
    own.add = (rows) => own.rows.push(...rows);
    own.leave = () => window.clearInterval(timer);
    own.done = async function () {
      own.leave();
      await own.under_way;
      return send(false);
    };
    return own;
  }

  window.chillrigTake = { post, take };
})();
