// The chart of Live: two panels, drawn whole each time and cheap enough for ten thousand points and for a computer
// that draws without help of its graphics. What changes seldom (axes, words, the target) is drawn once and copied.
"use strict";

(function () {
  const NEAR_S = 3, SHORTEST_AXIS_S = 15, AXIS_STEP_S = 5, BEFORE_S = 2, LONGEST_WAIT_S = 120;
  const minus = (text) => text.replace("-", "\u2212");

  function draw(canvas, told, heard) {
    const look = looks(canvas), { near, wide, high } = look, begun = told.started_s;
    if (!wide) return;
    const moved = begun !== null && begun !== undefined;
    const probe = moved ? thinned(heard.probe, begun, wide / 2) : [];
    const others = moved ? Object.entries(heard.others).map(([name, curve]) => [name, thinned(curve, begun, wide / 2)]) : [];
    const estimates = heard.estimates, target = told.target || {}, size = look.size;
    const stop = told.call && told.call.left_s !== null && told.call.left_s !== undefined ? told.moved_s + told.call.left_s : 0;
    const near_end = Math.max((told.moved_s || 0) + NEAR_S, told.phase === "moving" ? Math.min(stop + NEAR_S, LONGEST_WAIT_S) : 0);
    const until = Math.max(SHORTEST_AXIS_S, AXIS_STEP_S * Math.ceil(near_end / AXIS_STEP_S));
    const left = 4.6 * size, gap = 3.4 * size, top = 1.8 * size, tall = (high - top - 2.4 * size - gap) / 2;
    const plot = { left, wide: wide - left - size, tall, begin: -BEFORE_S, until };
    const warm = [target.temp_c_min ?? null, target.temp_c_max ?? null], water = target.dilution_pct || [null, null];
    const panels = [
      { ...plot, top, title: window.chillrigUnits.text("Temperature [°C]"), of: "°C", window: warm, colour: look.accent, dash: [],
        ...ends([...warm, ...probe.map((p) => p[1]), ...others.flatMap(([, c]) => c.map((p) => p[1])), ...estimates.flatMap((e) => [e[1], e[3]])], 4),
        estimates: estimates.map((e) => [e[0], e[1], e[2], e[3]]), probe, others },
      { ...plot, top: top + tall + gap, title: "Dilution, estimated [%]", window: water, colour: look.land, dash: [7, 4],
        ...ends([0, ...water, ...estimates.flatMap((e) => [e[4], e[6]])], 10),
        estimates: estimates.map((e) => [e[0], e[4], e[5], e[6]]), probe: [], others: [] },
    ];
    const key = [look.key, ...panels.map((p) => [p.low, p.high, p.until, ...p.window])].join("|");
    if (look.ground_key !== key) {
      look.ground_key = key;
      const pen = sheet(look.ground, look);
      pen.fillStyle = look.paper;
      pen.fillRect(0, 0, wide, high);
      panels.forEach((panel) => axes(pen, panel, look));
      pen.fillStyle = look.quiet;
      pen.textAlign = "right";
      pen.textBaseline = "alphabetic";
      pen.fillText("seconds of motion", wide - size, high - 0.2 * size);
    }
    const pen = sheet(canvas, look);
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.drawImage(look.ground, 0, 0);
    pen.setTransform(near, 0, 0, near, 0, 0);
    panels.forEach((panel) => curves(pen, panel, look));
  }

  // The page's size, colours and letters, read anew only when something may have changed them: asking costs a layout.
  let seen = { key: "" }, resized = 0;
  const watched = new WeakSet(), sizes = new ResizeObserver(() => void resized++);
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  function looks(canvas) {
    if (!watched.has(canvas)) {
      watched.add(canvas);
      sizes.observe(canvas);
      resized++;
    }
    const near = window.devicePixelRatio || 1;
    const key = [document.documentElement.dataset.theme, dark.matches, canvas.closest("#live-stage").className, near, resized].join("|");
    if (seen.key !== key) {
      const style = getComputedStyle(canvas);
      seen = { key, near, wide: canvas.clientWidth, high: canvas.clientHeight, size: parseFloat(style.fontSize), family: style.fontFamily,
        ground: document.createElement("canvas") };
      for (const name of ["accent", "land", "quiet", "ink", "rule", "window", "paper"]) seen[name] = style.getPropertyValue(`--${name}`).trim();
      if (canvas.closest(".cue-stop")) seen.paper = style.getPropertyValue("--stop").trim();
    }
    return seen;
  }

  function sheet(canvas, look) {
    const { near } = look, wide = Math.round(look.wide * near), high = Math.round(look.high * near);
    if (canvas.width !== wide || canvas.height !== high) {
      canvas.width = wide;
      canvas.height = high;
    }
    const pen = canvas.getContext("2d", { alpha: false });
    pen.setTransform(near, 0, 0, near, 0, 0);
    pen.font = `${look.size}px ${look.family}`;
    return pen;
  }

  // A curve from shortly before the start, thinned to what the screen has columns for; the newest is always there.
  function thinned(curve, begun, most) {
    let first = curve.length;
    while (first > 0 && curve[first - 1][0] >= begun - BEFORE_S) first--;
    const step = Math.max(1, Math.ceil((curve.length - first) / most)), out = [];
    for (let k = curve.length - 1; k >= first; k -= step) out.push([curve[k][0] - begun, curve[k][1]]);
    return out;
  }

  // The ends of an axis that holds these values, on round numbers, so that it stays while little changes.
  function ends(values, least) {
    const known = values.filter((v) => Number.isFinite(v) && v !== null);
    let low = known.length ? Math.min(...known) : 0, high = known.length ? Math.max(...known) : 1;
    const spare = Math.max(0.04 * (high - low), (least - (high - low)) / 2, 0.25);
    const floor = low === 0 && least === 10 ? 0 : low - spare;
    const step = nice((high + spare - floor) / 4);
    low = step * Math.floor(floor / step);
    high = step * Math.ceil((high + spare) / step);
    return { low, high, step };
  }

  const x_of = (p) => (s) => p.left + ((s - p.begin) / (p.until - p.begin)) * p.wide;
  const y_of = (p) => (v) => p.top + ((p.high - v) / (p.high - p.low)) * p.tall;

  function axes(pen, p, look) {
    const x = x_of(p), y = y_of(p), size = look.size;
    // the target: shaded and edged, so that it needs no colour
    if (p.window[0] !== null || p.window[1] !== null) {
      const from = y(p.window[1] === null ? p.high : p.window[1]), to = y(p.window[0] === null ? p.low : p.window[0]);
      pen.fillStyle = look.window;
      pen.fillRect(p.left, from, p.wide, to - from);
      pen.strokeStyle = look.quiet;
      pen.setLineDash([2, 3]);
      pen.lineWidth = 1.5;
      for (const edge of p.window) if (edge !== null) line(pen, [[p.left, y(edge)], [p.left + p.wide, y(edge)]]);
      pen.setLineDash([]);
    }
    pen.fillStyle = look.quiet;
    pen.strokeStyle = look.rule;
    pen.lineWidth = 1;
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    for (let v = p.low; v < p.high + p.step / 2; v += p.step) {
      line(pen, [[p.left, y(v)], [p.left + p.wide, y(v)]]);
      const told = window.chillrigUnits.value(v, p.of), whole = p.step >= 1 && Math.abs(told - Math.round(told)) < 1e-9;
      pen.fillText(figure(told, whole ? 0 : 1), p.left - 0.5 * size, y(v));
    }
    pen.textAlign = "center";
    pen.textBaseline = "top";
    const step = nice((p.until - p.begin) / 7);
    for (let s = 0; s <= p.until; s += step) pen.fillText(figure(s, 0), x(s), p.top + p.tall + 0.3 * size);
    pen.textAlign = "left";
    pen.textBaseline = "alphabetic";
    pen.fillStyle = look.ink;
    pen.fillText(p.title, p.left, p.top - 0.5 * size);
  }

  function curves(pen, p, look) {
    const x = x_of(p), y = y_of(p), size = look.size;
    pen.save();
    pen.beginPath();
    pen.rect(p.left, p.top, p.wide, p.tall);
    pen.clip();
    pen.fillStyle = pen.strokeStyle = look.quiet;
    for (const [s, v] of p.probe) pen.fillRect(Math.round(x(s)) - 1, Math.round(y(v)) - 1, 3, 3);
    pen.lineWidth = 1;
    p.others.forEach(function ([name, curve]) {
      if (!curve.length) return;
      line(pen, curve.map(([s, v]) => [x(s), y(v)]));
      const across = x(curve[0][0]), inside = across + pen.measureText(name).width + size < p.left + p.wide;
      pen.textAlign = inside ? "left" : "right";
      pen.fillText(name, across + (inside ? 0.4 : -0.4) * size, y(curve[0][1]) - 0.4 * size);
    });
    if (p.estimates.length) {
      pen.globalAlpha = 0.18;
      pen.fillStyle = pen.strokeStyle = p.colour;
      pen.beginPath();
      for (const e of p.estimates) pen.lineTo(x(e[0]), y(e[1]));
      for (const e of [...p.estimates].reverse()) pen.lineTo(x(e[0]), y(e[3]));
      pen.fill();
      pen.globalAlpha = 1;
      pen.lineWidth = size / 5;
      pen.setLineDash(p.dash);
      line(pen, p.estimates.map((e) => [x(e[0]), y(e[2])]));
      pen.setLineDash([]);
      const last = p.estimates[p.estimates.length - 1];
      pen.beginPath();
      pen.arc(x(last[0]), y(last[2]), size / 2.5, 0, 7);
      pen.fill();
    }
    pen.restore();
  }

  function line(pen, points) {
    pen.beginPath();
    for (const [px, py] of points) pen.lineTo(px, py);
    pen.stroke();
  }

  function nice(least) {
    const ten = 10 ** Math.floor(Math.log10(least));
    return [1, 2, 5, 10].find((k) => k * ten >= least) * ten;
  }

  const figure = (value, digits) => minus((Math.abs(value) < 0.5 * 10 ** -digits ? 0 : value).toFixed(digits));

  window.chillrigChart = { draw };
})();
