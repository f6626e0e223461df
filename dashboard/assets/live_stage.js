// What Live shows of a drink in its three big states: what to weigh now, how far it is, whether it landed.
"use strict";

(function () {
  const { MAIN, at, ask, chart, fill, main, make, number, say, trouble } = window.chillrigLive.parts;
  const state = () => window.chillrigLive.state;
  const WORDS = { "keep going": "Keep going", "get ready": "Get ready", "no good moment": "No moment lands well; this is the best" };

  // Before and after a drink: what became of the last one, and once more.
  function idleBlock(told) {
    const out = [], kept = told.kept;
    if (kept) {
      const at_run = `/runs/${encodeURIComponent(kept.run)}?${new URLSearchParams({ bench: kept.bench })}`;
      out.push(
        make("div", { class: "live-kept", role: "status", id: "live-kept" },
          kept.landed ? make("p", { class: "live-landed" }, kept.landed) : null,
          kept.by_feel ? make("div", { class: "notice know", id: "live-score" }, make("h2", {}, `By feel: ${kept.by_feel.last}`),
            make("p", {}, kept.by_feel.practise), make("p", {}, `${kept.by_feel.rate} ${kept.by_feel.timing}; ${kept.by_feel.missed}.`)) : null,
          kept.tally ? make("p", { class: "live-tally", id: "live-tally" }, kept.tally) : null,
          make("p", {}, `${kept.words} `, kept.run ? make("a", { href: at_run }, `Look at run ${kept.run}`) : "")));
      if (kept.again && !told.watching)
        out.push(make("div", { class: "live-acts" }, make("button", { id: "live-again", class: "do vast", onclick: () => ask("again") }, "Again")));
    }
    for (const left of told.interrupted || [])
      out.push(
        make("div", { class: "notice mind live-left" },
          make("p", {}, `Interrupted: ${left.words}`),
          told.watching ? null : make("button", { class: "do", onclick: () => ask("recover", { run: left.run }) }, "Bring it in"),
          told.watching ? null : make("button", { class: "quiet-do", onclick: () => ask("set aside", { run: left.run }) }, "Set it aside")));
    for (const gone of told.discarded || [])
      out.push(
        make("div", { class: "live-left live-gone" },
          make("p", { class: "quiet" }, `Discarded: ${gone.words}`),
          told.watching ? null : make("button", { class: "quiet-do", onclick: () => ask("bring back", { run: gone.run }) }, "Bring it back")));
    return out;
  }

  function stage(told) {
    const phase = told.phase, shown = phase !== "opening" && phase !== "trouble";
    const steps = shown && (phase === "weighing" || phase === "after" || phase === "done");
    return [
      make("p", { class: "live-drink" }, told.drink, make("span", { id: "live-goal", class: "quiet" })),
      make("div", { class: "live-now" },
        make("div", { id: "live-doubt", class: "live-doubt", hidden: true },
          make("p", { id: "live-doubt-words", role: "alert" }),
          told.watching ? null : make("button", { id: "live-believe", class: "quiet-do", hidden: true, onclick: () => ask("believe") }, "It is right: °C")),
        make("p", { id: "live-word", class: "live-word", role: "alert" }),
        make("p", { id: "live-asked", class: "live-asked", role: "status" }),
        shown ? make("p", { id: "live-big", class: "live-big" }) : null,
        shown ? make("p", { id: "live-second", class: "live-second" }) : null,
        phase === "moving" && !told.hidden ? pair() : null,
        phase === "weighing" ? make("p", { id: "live-missing", class: "live-missing" }) : null,
        phase === "done" ? make("p", { id: "live-why", class: "live-why" }) : null,
        make("p", { id: "live-said", class: "quiet", role: "status" }),
        ...(told.watching ? [make("p", { class: "quiet" }, "This screen only watches.")] : acts(phase)),
        !told.watching && (phase === "ready" || phase === "moving") ? metronome(told) : null),
      shown ? make("div", { class: "live-side" },
        steps ? make("ol", { id: "live-steps", class: "live-steps" }) : null,
        phase === "weighing" || told.hidden ? null : chart()) : null,
      shown ? make("ul", { id: "live-ports", class: "live-ports", "aria-label": "Devices" }) : null,
    ].filter((part) => part !== null);
  }

  function metronome(told) {
    const usual = JSON.parse(window.chillrigLive.root.dataset.usualHz || "{}");
    return window.chillrigMetronome.block(usual[told.technique] || null);
  }

  function pair() {
    const card = (name, id) => make("div", {}, make("dt", {}, name), make("dd", {}, make("b", { id }), make("small", { id: `${id}-band` })));
    return make("dl", { class: "live-pair" }, card("drink", "live-temp"), card("water", "live-water"));
  }

  function acts(phase) {
    const quiet = (id, words, press) => make("button", { id, class: "quiet-do", onclick: press }, words);
    if (phase === "trouble") return [make("div", { class: "live-acts" }, make("button", { class: "do vast", onclick: () => ask("clear") }, "Choose again"))];
    if (phase === "done") return done(quiet);
    const out = [];
    if (phase in MAIN) out.push(make("button", { id: "live-act", class: `do vast ${phase}`, onclick: main }, MAIN[phase]));
    if (phase === "weighing" || phase === "after") out.push(quiet("live-skip", "Leave this one out", () => ask("skip", { step: state().step })));
    if (phase === "moving" || phase === "ready") out.push(quiet("live-mark", "Mark this moment", () => ask("mark", { text: "marked by hand" })));
    if (phase !== "opening" && phase !== "moving") out.push(quiet("live-end", "End here", () => ask("end")));
    return [make("div", { class: "live-acts" }, ...out)];
  }

  // Keep is what one wants; foam and a note may be left empty; Discard stands apart from it.
  function done(quiet) {
    const field = (id, words, mode) => make("div", { class: "live-field" },
      make("label", { for: id, class: "legend" }, words),
      make("input", { id, class: "written", maxlength: mode ? "8" : "500", autocomplete: "off", inputmode: mode }));
    const value = (id) => (at(id) || { value: "" }).value;
    const keep = () => ask("keep", {
      text: value("live-note"), foam_ml: value("live-foam-ml"), foam_mm: value("live-foam-mm"), glass_mm: value("live-glass-mm") });
    return [
      make("div", { class: "live-acts" }, make("button", { id: "live-keep", class: "do vast", onclick: keep }, "Keep this run")),
      make("details", { class: "live-more" },
        make("summary", {}, "Foam, or a note"),
        make("p", { class: "quiet" }, "The whole drink, foam and all, right after straining: its volume, or its height in a straight glass. Empty: not read."),
        make("div", { class: "live-fields" },
          field("live-foam-ml", "Volume [ml]", "decimal"), field("live-foam-mm", "or height [mm]", "decimal"), field("live-glass-mm", "glass inside, across [mm]", "decimal")),
        field("live-note", "Note")),
      make("div", { class: "live-apart" }, quiet("live-discard", "Discard this drink", () => ask("discard"))),
    ];
  }

  function targetWords(t) {
    if (!t) return "no target";
    const parts = [];
    if (t.temp_c_max !== null) parts.push(`at or below ${number(t.temp_c_max, 1, "°C")}`);
    if (t.dilution_pct) parts.push(`dilution ${number(t.dilution_pct[0], 0)} to ${number(t.dilution_pct[1], 0, "%")}`);
    return `${t.name}: ${parts.join(", ")}`;
  }

  const number_s = (left) => `${Math.max(0, left).toFixed(left < 10 ? 1 : 0)} s`;

  // The giant figure of the moment, the one below it, and the word to act on.
  function giant(told) {
    const call = told.call || {}, temp = number(told.temp_c, 1, "°C");
    if (told.phase === "weighing" || told.phase === "after")
      return [number(told.net_g, 1, "g"), told.expected_g === null ? "any mass will do" : `of ${number(told.expected_g, 1, "g")}`, ""];
    if (told.phase === "ready") return told.hidden ? ["By feel", "The call and the numbers come after the stop", ""] : [temp, call.waiting || "", ""];
    if (told.phase === "done") {
      if (told.landing) return [told.landing.big, told.landing.headline, ""];
      return [number(told.moved_s, 1, "s"), `of motion, ${told.temp_c === null ? "end temperature not known" : `${temp} at the end`}`, ""];
    }
    if (told.hidden) return ["By feel", "The call and the numbers come after the stop", "Stop when it is right"];
    const moved = `${number(told.moved_s, 1, "s")} so far`;
    if (call.word === "stop" || call.word === "past it") return ["STOP", moved, call.word === "stop" ? "Stop now" : "Past the best moment: stop"];
    if (call.left_s === null || call.left_s === undefined) return [number(told.moved_s, 1, "s"), call.waiting || "", ""];
    const odds = call.lands ? ` · lands ${call.lands}` : "";
    return [number_s(call.left_s), `left · ${moved}${call.by_clock ? " · by the clock" : ""}${odds}`, WORDS[call.word] || ""];
  }

  const sentence = (words) => words[0].toUpperCase() + words.slice(1);

  // What the cadence of the hand does to the stop, where the clock goes by it.
  function cadence(told) {
    const call = told.call || {};
    return told.phase !== "done" && call.by_clock && call.cadence ? sentence(call.cadence) : "";
  }

  function numbers(told) {
    const [big, second, word] = giant(told), call = told.call || {}, probe = told.trust || {}, landing = told.landing;
    say(at("live-big"), big);
    say(at("live-second"), second);
    say(at("live-word"), word);
    say(at("live-asked"), word || landing ? "" : told.asked || "");
    say(at("live-goal"), ` · ${targetWords(told.target)}${told.simulated ? " · simulated devices" : ""}`);
    const note = told.phase === "done" || call.by_clock ? "" : call.note;
    say(at("live-said"), [told.said && sentence(told.said), note && sentence(note), cadence(told)].filter(Boolean).join(". "));
    say(at("live-why"), landing ? landing.why : "");
    doubt(told, probe, call);
    figures(told, probe, call);
    say(at("live-missing"), told.phase === "weighing" ? missing(told, probe) : "");
    const landed = !landing || !landing.big ? "" : landing.landed === null ? "has-unknown" : landing.landed ? "has-landed" : "has-missed";
    at("live-stage").className = big === "STOP" ? "cue-stop" : word === "Get ready" ? "cue-ready" : landed;
    if (told.trouble) trouble(told.trouble);
    fill(at("live-steps"), told.steps, () => told.steps.map(step));
    fill(at("live-ports"), told.ports, () => told.ports.map((p) =>
      make("li", {}, make("b", {}, `${p.ok ? "●" : "○"} ${p.name}: ${p.state}`), ` ${p.words}`)));
  }

  // A probe that is not believed is said where everybody looks, not below.
  function doubt(told, probe, call) {
    const box = at("live-doubt");
    if (!box) return;
    const doubted = probe.state === "doubted" && told.phase !== "done";
    const instead = told.phase === "moving" ? " By the clock now." : told.phase === "after" ? "" : " Check it before you start.";
    say(at("live-doubt-words"), doubted ? `${probe.words}.${instead}`.replace(/(\d) (s|°C)/g, "$1\u00a0$2") : "");
    box.hidden = !doubted;
    if (at("live-believe")) at("live-believe").hidden = !(doubted && probe.ask);
  }

  function figures(told, probe, call) {
    if (!at("live-temp")) return;
    const known = call.temp_c, water = call.dilution_pct;
    say(at("live-temp"), known ? number(known[1], 1, "°C") : number(told.temp_c, 1, "°C"));
    say(at("live-temp-band"), known ? `${number(known[0], 1)} to ${number(known[2], 1, "°C")} · ${probe.state === "believed" ? "probe believed" : "foretold"}` : probe.words || "");
    say(at("live-water"), water ? number(water[1], 0, "%") : "–");
    say(at("live-water-band"), water ? `${number(water[0], 0)} to ${number(water[2], 0)}` : call.waiting || "");
  }

  function missing(told, probe) {
    const due = (told.missing || []).length ? `Then: ${told.missing.join(", ")}` : "Nothing more after this";
    const heard = probe.state === "believed" && told.temp_c !== null ? `probe ${number(told.temp_c, 1, "°C")}` : probe.state === "none" ? "no probe is heard" : "";
    return [due, heard].filter(Boolean).join(" · ");
  }

  function step(s) {
    const mark = { weighed: "✓", now: "▸", "left out": "–", "to come": "" }[s.state];
    const mass = s.mass_g !== null ? number(s.mass_g, 1, "g") : s.expected_g !== null ? `${number(s.expected_g, 1, "g")} to come` : s.state;
    return make("li", { class: s.state.replace(" ", "-"), "aria-current": s.state === "now" ? "step" : null },
      make("span", { class: "mark", "aria-hidden": "true" }, mark), make("span", {}, s.name), make("span", { class: "mass" }, mass));
  }

  window.chillrigStage = { cadence, giant, idleBlock, numbers, stage, targetWords };
})();
