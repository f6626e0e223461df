// The wall of a class: where the drink stands and when to stop, always; guesses, then the drink's way, then who was near.
"use strict";

(function () {
  const EVERY_MS = 1000, WIDE = 720, HIGH = 430, LEFT = 78, RIGHT = 150, TOP = 14, BOTTOM = 64, DOT_S = 5;
  const live = window.chillrigLive;
  const { at, make, say, fill, number } = live.parts;
  const wall = { told: null, asks: 0 };
  window.chillrigWall = wall;

  function ask() {
    if (!at("live-room") || document.hidden) return;
    fetch("/live/class")
      .then((answer) => answer.json())
      .then((told) => {
        wall.told = told;
        if (live.state) live.wall(live.state);
      })
      .catch(() => {}); // the stream of the drink says that the dashboard does not answer
  }

  function act(what) {
    fetch("/live/class/act", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(what) }).then(ask);
  }

  live.wall = function (told) {
    const seen = wall.told, call = told.call || {};
    if (!wall.asks++) ask();
    const [big, , word] = window.chillrigStage.giant(told), moving = told.phase === "moving", open = seen && (seen.shown || seen.ended);
    const idle = told.phase === "idle";
    say(at("wall-drink"), idle ? "" : `${told.drink} · ${window.chillrigStage.targetWords(told.target)}${told.simulated ? " · simulated devices" : ""}`);
    say(at("wall-state"), idle ? "Waiting for a drink" : word || (moving ? "Keep going" : stands(told.phase)) || told.asked);
    say(at("wall-big"), idle ? "" : big === "STOP" ? "STOP" : moving || told.phase === "after" ? number(told.moved_s, 1, "s") : told.phase === "ready" || told.phase === "opening" ? "" : big);
    const drink = call.temp_c ? `${number(call.temp_c[1], 1, "°C")} · ${number(call.dilution_pct[1], 0, "% water")}` : "";
    const left = moving && call.left_s > 0 && big !== "STOP" ? `${call.left_s.toFixed(0)} s to go` : "";
    say(at("wall-second"), idle ? "It is begun on the page Live." : [left, open ? drink : ""].filter(Boolean).join(" · "));
    at("wall-now").className = big === "STOP" ? "cue-stop" : word === "Get ready" ? "cue-ready" : "";
    sound();
    if (seen) side(told, seen);
  };

  function stands(phase) {
    return { opening: "Opening the devices", done: "Stopped", after: "Stopped", trouble: "Trouble on the page Live" }[phase] || "";
  }

  // A browser lets a page sound only after somebody has pressed something on it: say so, and offer the press.
  function sound() {
    const on = !!live.audio && live.audio.state === "running";
    fill(at("wall-sound"), on, () => [
      make("span", {}, on ? "Sound is on" : "No sound yet: the browser waits for a press"),
      make("button", { class: on ? "quiet-do" : "do", id: "wall-tone", onclick: hear }, on ? "Hear it" : "Turn the sound on")]);
  }

  function hear() {
    live.wakeSound();
    live.soundStop();
    if (live.audio) live.audio.addEventListener("statechange", sound, { once: true });
    sound();
  }

  function side(told, seen) {
    const shown = seen.shown || !!seen.ended;
    const points = shown ? [...(live.estimates || [])] : [];
    const key = [shown, seen.asked, seen.open, seen.guesses, seen.ended, seen.join, seen.finished.length, seen.leads, points.length, told.phase];
    fill(at("wall-side"), key, () => (shown ? after(told, seen, points) : before(seen)));
    fill(at("wall-near"), [seen.ended, seen.leads], () => (seen.ended ? near(seen.ended, seen.leads) : []));
    const past = seen.ended ? seen.finished.slice(0, -1) : seen.finished;
    fill(at("wall-before"), past, () => (past.length ? [
      make("h2", {}, "Before"),
      make("ul", {}, ...past.slice().reverse().map((f) => make("li", {}, `${f.drink.split(" · ")[0]}: ${came(f)}`,
        f.nearest.length ? make("span", { class: "quiet" }, ` · ${f.nearest[0].name} was nearest`) : null)))] : []));
  }

  function value(asked, x) {
    return number(x, asked.digits, asked.unit);
  }

  function came(f) {
    return value(f.asked, f.truth[f.asked.name]);
  }

  function before(seen) {
    const count = seen.guesses.length;
    return [
      make("h2", {}, seen.asked.words),
      seen.leads && seen.open ? make("div", { class: "wall-acts", role: "group", "aria-label": "What to ask" }, ...seen.questions.map((q) =>
        make("button", { class: "asks", "aria-pressed": String(q.name === seen.asked.name), onclick: () => act({ act: "ask", asked: q.name }) }, q.words))) : null,
      seen.open ? join(seen) : make("p", { class: "wall-count" }, "Guessing is closed."),
      make("p", { class: "wall-count", id: "wall-count" }, `${count || "No"} guess${count === 1 ? "" : "es"}${count ? " in" : " yet"}`),
      count ? spread(seen, null) : null,
      seen.leads ? make("div", { class: "wall-acts" }, make("button", { id: "wall-show", class: "do giant", onclick: () => act({ act: "show" }) }, "Show the drink")) : null,
    ].filter(Boolean);
  }

  function join(seen) {
    if (!seen.join) return make("p", {}, `${seen.not_shared} `, make("a", { href: "/class", target: "_blank" }, "Guess here"));
    return make("div", { class: "wall-join" },
      make("img", { src: `/live/class/qr.svg?${encodeURIComponent(seen.join.code)}`, alt: `Square code of ${seen.join.link}`, width: "320", height: "320" }),
      make("div", {}, make("p", {}, `Scan it, or open ${seen.join.where} and type`), make("p", { class: "wall-code", id: "wall-code" }, seen.join.code)));
  }

  function after(told, seen, points) {
    const ended = seen.ended;
    return [
      plane(told, seen, points),
      seen.guesses.length ? spread(seen, ended ? ended.truth[ended.asked.name] : null) : null,
    ].filter(Boolean);
  }

  function near(ended, leads) {
    return [
      make("p", { id: "wall-said", class: "wall-count", role: "status" }, `It came to ${came(ended)}.`, ended.nearest.length ? " Nearest:" : " Nobody had guessed."),
      make("ul", { class: "wall-near" }, ...ended.nearest.map((n) =>
        make("li", {}, make("b", {}, n.name), ` ${value(ended.asked, n.value)}, ${number(n.off, ended.asked.digits, ended.asked.unit === "°C" ? "K" : ended.asked.unit)} off`))),
      leads ? make("div", { class: "wall-acts" }, make("button", { id: "wall-next", class: "do", onclick: () => act({ act: "next" }) }, "Next drink")) : "",
    ];
  }

  function draw(tag, facts, text) {
    const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
    const shown = window.chillrigUnits.text;
    for (const [name, of] of Object.entries(facts)) element.setAttribute(name, name === "aria-label" ? shown(of) : of);
    if (text) element.textContent = shown(text);
    return element;
  }

  // Every guess a dot above its value, those alike on top of each other; the truth a line through them.
  function spread(seen, truth) {
    const { low, high, unit, digits } = seen.asked, all = truth === null ? seen.guesses : [...seen.guesses, truth];
    const pad = 0.06 * (high - low), from = Math.max(low, Math.min(...all) - pad), to = Math.min(high, Math.max(...all) + pad);
    const width = WIDE - 2 * 40, x = (v) => 40 + (width * (v - from)) / Math.max(to - from, 1e-9), high_px = 120, base = 88, stacks = {};
    const svg = draw("svg", { viewBox: `0 0 ${WIDE} ${high_px}`, role: "img",
      "aria-label": `${seen.guesses.length} guesses from ${number(Math.min(...seen.guesses), digits)} to ${number(Math.max(...seen.guesses), digits, unit)}` });
    svg.append(draw("line", { class: "rule", x1: 40, x2: WIDE - 40, y1: base + 10, y2: base + 10 }));
    for (const v of seen.guesses) {
      const place = Math.round(x(v) / 16), up = (stacks[place] = (stacks[place] || 0) + 1);
      svg.append(draw("circle", { class: "guess", cx: place * 16, cy: base + 2 - 15 * (up - 1), r: 7 }));
    }
    if (truth !== null) svg.append(draw("line", { class: "truth", x1: x(truth), x2: x(truth), y1: 4, y2: base + 16 }));
    svg.append(draw("text", { x: 40, y: high_px - 2 }, number(from, digits, unit)), draw("text", { x: WIDE - 40, y: high_px - 2, "text-anchor": "end" }, number(to, digits, unit)));
    return svg;
  }

  // The way of the drink: temperature down, water to the right; the ways before it under it, the target as a gate.
  function plane(told, seen, points) {
    const own = points.map((e) => [e[5], e[2], e[0]]).filter((p) => p[0] !== null && p[1] !== null);
    const ended = seen.ended, past = ended ? seen.finished.slice(0, -1) : seen.finished;
    const way = own.length || !ended ? own : ended.path, target = told.target || {};
    const all = [...way, ...past.flatMap((f) => f.path)], temps = all.map((p) => p[1]), waters = all.map((p) => p[0]);
    const gate = [target.temp_c_max ?? null, target.dilution_pct || null];
    const top = Math.max(20, ...temps) + 2, bottom = Math.min(-6, (gate[0] ?? 0) - 5, ...temps.map((t) => t - 2));
    const last = Math.max(60, ...waters, gate[1] ? gate[1][1] : 0);
    const x = (v) => LEFT + ((WIDE - LEFT - RIGHT) * v) / last, y = (t) => TOP + ((HIGH - TOP - BOTTOM) * (top - t)) / (top - bottom);
    const head = way[way.length - 1];
    const svg = draw("svg", { viewBox: `0 0 ${WIDE} ${HIGH}`, role: "img", id: "wall-plane",
      "aria-label": `Temperature against water added${head ? `: now ${number(head[1], 1, "°C")} and ${number(head[0], 0, "% water")}` : ""}; ${past.length} drinks before` });
    for (let t = Math.ceil(bottom / 10) * 10; t < top; t += 10)
      svg.append(draw("line", { class: "rule", x1: LEFT, x2: WIDE - RIGHT, y1: y(t), y2: y(t) }), draw("text", { x: LEFT - 10, y: y(t) + 7, "text-anchor": "end" }, number(t, 0, "°C")));
    for (let w = 0; w <= last; w += 20) svg.append(draw("text", { x: x(w), y: HIGH - 36, "text-anchor": "middle" }, `${w} %`));
    svg.append(draw("text", { x: WIDE - RIGHT, y: HIGH - 8, "text-anchor": "end" }, "water added ÷ start"));
    if (gate[0] !== null || gate[1]) {
      const [from, to] = gate[1] || [0, last], up = gate[0] === null ? top : gate[0];
      svg.append(draw("rect", { class: "gate", x: x(from), width: x(to) - x(from), y: y(up), height: y(bottom) - y(up), rx: 8 }),
        draw("text", { class: "said", x: x(to) + 10, y: Math.min(y(up) + 22, y(bottom)) }, target.name || "target"));
    }
    const line = (points, kind) => draw("polyline", { class: `way${kind}`, points: points.map((p) => `${x(p[0]).toFixed(1)},${y(p[1]).toFixed(1)}`).join(" ") });
    past.forEach((f) => f.path.length && svg.append(line(f.path, " past")));
    if (way.length) {
      svg.append(line(way, ""));
      for (let s = DOT_S; s < (head[2] || 0); s += DOT_S) {
        const p = way.find((q) => q[2] >= s);
        if (p) svg.append(draw("circle", { class: "dot", cx: x(p[0]), cy: y(p[1]), r: 7 }));
      }
      svg.append(draw("circle", { class: "head", cx: x(head[0]), cy: y(head[1]), r: 12 }));
    }
    return svg;
  }

  window.setInterval(ask, EVERY_MS);
})();
