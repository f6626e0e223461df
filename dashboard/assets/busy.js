// An answer that says when to ask again is asked for again then; meanwhile the page says that it waits.
"use strict";

(function () {
  const MOST_TIMES = 24;
  const asked = window.fetch;
  const waits = new Set();

  function tell() {
    let box = document.getElementById("busy");
    if (!box) {
      box = document.createElement("p");
      Object.assign(box, { id: "busy", className: "busy" });
      box.setAttribute("role", "status");
      document.body.append(box);
    }
    box.textContent = waits.size ? "Others are being answered. This page asks again by itself." : "";
  }

  async function wait(seconds) {
    const mine = {};
    waits.add(mine);
    tell();
    await new Promise((go) => window.setTimeout(go, 1000 * seconds));
    return () => waits.delete(mine) && tell();
  }

  window.fetch = async function (...what) {
    let answer = await asked.apply(window, what);
    for (let times = 0; answer.status === 503 && times < MOST_TIMES; times++) {
      const seconds = Number(answer.headers.get("Retry-After"));
      if (!(seconds > 0)) break;
      const done = await wait(seconds);
      try {
        answer = await asked.apply(window, what);
      } finally {
        done();
      }
    }
    return answer;
  };
})();
