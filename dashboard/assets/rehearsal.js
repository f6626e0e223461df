// Replays two runs together: both lines of each grow at real speed, or faster.
"use strict";

window.dash_clientside = window.dash_clientside || {};

(function () {
  const state = { turn: 0, playing: false };

  function show(plot, runs, until_s) {
    const xs = [], ys = [];
    for (const run of runs) {
      let to = run.time_s.findIndex((t) => t > until_s);
      if (to < 0) to = run.time_s.length;
      for (const values of [run.temp_c, run.dilution_pct]) {
        xs.push(run.time_s.slice(0, to));
        ys.push(values.slice(0, to));
      }
    }
    window.Plotly.restyle(plot, { x: xs, y: ys }, xs.map((_, k) => k));
  }

  window.dash_clientside.rehearsal = {
    play: function (clicks, runs) {
      const plot = document.querySelector("#rehearsal-together .js-plotly-plot");
      if (!clicks || !plot || !(runs || []).length) return window.dash_clientside.no_update;
      const mine = (state.turn += 1);
      const end_s = Math.max(...runs.map((r) => r.time_s[r.time_s.length - 1]));
      const begun_ms = performance.now();
      const speed = Math.max(1, end_s / 15);
      function step(now_ms) {
        if (mine !== state.turn || !plot.isConnected) return;
        const at_s = Math.max(0, ((now_ms - begun_ms) / 1000) * speed);
        show(plot, runs, at_s);
        if (at_s < end_s) window.requestAnimationFrame(step);
        else window.dash_clientside.set_props("rehearsal-play", { children: "Play again" });
      }
      window.requestAnimationFrame(step);
      return "From the start";
    },
  };
})();
