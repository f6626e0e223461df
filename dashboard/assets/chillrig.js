// The page's own script: what must answer at once, without asking the server. No library, nothing from outside.
"use strict";

window.dash_clientside = window.dash_clientside || {};

(function () {
  const DARK = window.matchMedia("(prefers-color-scheme: dark)");
  let chosen = "system";
  const latest = {};

  function shownTheme() {
    return chosen === "dark" || (chosen === "system" && DARK.matches) ? "dark" : "light";
  }

  DARK.addEventListener("change", function () {
    if (chosen === "system") window.dash_clientside.set_props("theme", { data: shownTheme() });
  });

  // Values of a callback's inputs and states by name: "call-recipe" gives recipe. Null means not set.
  function gathered() {
    const context = window.dash_clientside.callback_context;
    const out = {};
    for (const part of [...context.inputs_list, ...context.states_list]) {
      if (part.value !== null && part.value !== undefined) out[part.id.slice(part.id.indexOf("-") + 1)] = part.value;
    }
    return out;
  }

  // What the controls ask: a slider that stands where it usually does asks nothing.
  function asking() {
    const asked = gathered();
    for (const name of Object.keys(asked).filter((k) => k.endsWith("-usual"))) {
      if (asked[name].length) delete asked[name.slice(0, -"-usual".length)];
      delete asked[name];
    }
    return asked;
  }

  // What a hand asks while it moves, past Dash's own rounds: one question is under way at a time, and of those that
  // come meanwhile the last.
  const hand = { now: null, asked: null, waits: null, busy: false, foretold: false, inFull: null };
  const GIVEN_UP_MS = 5000;

  // a slider's value is a number as the page begins, and a text once it was moved
  function keyOf(asked) {
    return asked && JSON.stringify(Object.entries(asked).map(([name, value]) => [name, String(value)]).sort());
  }

  // Which answer stands: the one in full once it is of what is asked now, until then what was foretold meanwhile.
  function tellTwice() {
    const told = document.getElementById("call-told");
    const stale = hand.now && hand.inFull && hand.inFull !== keyOf(hand.now);
    if (told) told.className = `told-twice ${stale && hand.foretold ? "foretold" : "in-full"}`;
  }

  async function foretell(asked) {
    hand.now = asked;
    const isAsked = keyOf(asked) === hand.asked;
    if (hand.busy) hand.waits = isAsked ? null : asked;
    if (hand.busy || isAsked) return;
    hand.busy = true;
    hand.asked = keyOf(asked);
    const blocks = await foretold(asked).catch(() => null);
    const place = document.getElementById("call-foretold");
    if (blocks && place) place.replaceChildren(...blocks.flatMap(drawn));
    hand.foretold = !!blocks;
    hand.busy = false;
    tellTwice();
    const next = hand.waits;
    hand.waits = null;
    if (next) foretell(next);
  }

  async function foretold(asked) {
    const answer = await fetch("/shake-time/foretold", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(asked),
      signal: AbortSignal.timeout(GIVEN_UP_MS),
    });
    return answer.ok ? answer.json() : null;
  }

  // A part of a page as the server sends it, drawn without Dash: elements of text, and nothing that acts.
  function drawn(part) {
    if (part === null || part === undefined) return [];
    if (Array.isArray(part)) return part.flatMap(drawn);
    if (typeof part !== "object") return [document.createTextNode(String(part))];
    const element = document.createElement(part.type);
    if (part.props.className) element.className = part.props.className;
    element.append(...drawn(part.props.children));
    return [element];
  }

  // Dash hears of a slider once the hand rests: a round of its own takes longer than the answer. What it still draws
  // meanwhile is of an older value, so until then the slider is put back to where the hand has it.
  const held = new Map();
  const RESTS_MS = 200;
  const setValue = Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, "value").set;

  function inHand() {
    return Object.fromEntries([...held].map(([slider, value]) => [slider.id.slice("call-".length), value]));
  }

  function keepHeld() {
    for (const [slider, value] of held) if (slider.value !== value) setValue.call(slider, value);
    if (held.size) window.requestAnimationFrame(keepHeld);
  }

  // Told by its value: an event would be lost on Dash where the slider has come back to where Dash has it already.
  function letGo() {
    for (const [slider, value] of held) window.dash_clientside.set_props(slider.id, { value });
    held.clear();
  }

  // Whether what moved is a slider, which the hand has let go, or its box.
  function hasRested(id) {
    return document.getElementById(id.replace(/(-usual)?\.value$/, "")).type === "range";
  }

  function hold(event) {
    const { id, type, value } = event.target;
    if (!hand.now || type !== "range" || !id.startsWith("call-")) return;
    event.stopPropagation();
    if (!held.size) window.requestAnimationFrame(keepHeld);
    held.set(event.target, value);
    foretell({ ...hand.now, ...inHand() });
    settled("held", true, RESTS_MS).then((rests) => rests === true && letGo());
  }

  document.addEventListener("input", hold, true);
  document.addEventListener("change", hold, true);

  function writeAddress(asked) {
    const query = new URLSearchParams();
    for (const [name, value] of Object.entries(asked)) {
      const values = Array.isArray(value) ? value : [value];
      // an empty choice is still a choice: left out it would mean "as usual"
      for (const v of values.length ? values : [""]) query.append(name, v);
    }
    window.history.replaceState(window.history.state, "", `${window.location.pathname}?${query}`);
  }

  // Resolves when nothing newer has come for a while; an older question then changes nothing.
  function settled(name, value, wait_ms) {
    const mine = (latest[name] = Symbol(name));
    return new Promise(function (resolve) {
      window.setTimeout(function () {
        resolve(latest[name] === mine ? value : window.dash_clientside.no_update);
      }, wait_ms);
    });
  }

  function number(value, digits) {
    const text = value.toFixed(digits);
    return (Number(text) === 0 ? text.replace("-", "") : text).replace("-", "\u2212");
  }

  // Plays stored runs side by side: a clock, each run's numbers, and its line up to now.
  const player = {
    runs: [], time_s: 0, speed: 1, playing: false, before_ms: 0,
    end: function () { return Math.max(0, ...this.runs.map((r) => r.time_s[r.time_s.length - 1])); },
    load: function (runs) { this.runs = runs; this.time_s = 0; this.playing = false; },
    word: function () {
      if (this.playing) return "Pause";
      return this.runs.length && this.time_s >= this.end() ? "Play again" : "Play";
    },
    press: function () {
      if (!this.playing && this.time_s >= this.end()) this.time_s = 0;
      this.playing = !this.playing && this.runs.length > 0;
      this.before_ms = performance.now();
      if (this.playing) window.requestAnimationFrame(step);
    },
    draw: function () {
      const clock = document.getElementById("replay-clock");
      const plot = document.querySelector("#replay-figure .js-plotly-plot");
      if (!clock || !plot) return false;
      clock.textContent = `${number(this.time_s, 1)} s`;
      const xs = [], ys = [];
      this.runs.forEach((run, k) => {
        const last = run.time_s.length - 1;
        let to = run.time_s.findIndex((t) => t > this.time_s);
        if (to < 0) to = last + 1;
        const at = Math.max(to - 1, 0);
        const stopped = at === last ? `, stopped at ${number(run.time_s[last], 1)} s` : "";
        document.getElementById(`replay-temp-${k}`).textContent = window.chillrigUnits.text(`${number(run.temp_c[at], 1)} °C`);
        document.getElementById(`replay-water-${k}`).textContent = `${number(run.dilution_pct[at], 0)} % water${stopped}`;
        xs.push(run.time_s.slice(0, at + 1));
        ys.push(run.temp_c.slice(0, at + 1).map((t) => window.chillrigUnits.value(t, "°C")));
      });
      window.Plotly.restyle(plot, { x: xs, y: ys }, xs.map((_, k) => k));
      return true;
    },
  };

  function step(now_ms) {
    if (!player.playing) return;
    player.time_s = Math.min(player.time_s + ((now_ms - player.before_ms) / 1000) * player.speed, player.end());
    player.before_ms = now_ms;
    if (!player.draw()) player.playing = false; // another page has been opened
    else if (player.time_s >= player.end()) {
      player.playing = false;
      window.dash_clientside.set_props("replay-play", { children: player.word() });
    } else window.requestAnimationFrame(step);
  }

  // A link that carries the page's address with it, as that stands when the link is followed.
  document.addEventListener("click", function (event) {
    const link = event.target.closest && event.target.closest("a.carried");
    if (link) link.href = link.dataset.path + window.location.search;
  }, true);

  window.dash_clientside.chillrig = {
    theme: function (value) {
      chosen = value || "system";
      if (chosen === "system") delete document.documentElement.dataset.theme;
      else document.documentElement.dataset.theme = chosen;
      return shownTheme();
    },

    asked: function () {
      const asked = asking();
      // another choice makes another list, which begins at its first page; a marked run leaves it where it is
      const moved = window.dash_clientside.callback_context.triggered.map((t) => t.prop_id);
      if (!moved.includes("runs-over.data")) delete asked.page;
      const call = document.getElementById("call-told");
      if (call && moved.length) foretell({ ...asked, ...inHand() });
      else if (call) hand.now = asked;
      const path = window.location.pathname;
      return settled("asked", asked, call && moved.length && moved.every(hasRested) ? 0 : RESTS_MS).then(function (value) {
        if (value === asked && path === window.location.pathname) writeAddress(asked);
        return value;
      });
    },

    // Runs marked: those on this page of the list as they stand, and those marked on other pages.
    picked: function (values, ids, over) {
      const here = new Set(ids.map((id) => id.run));
      const kept = (over || []).filter((run) => !here.has(run));
      const marked = ids.map((id) => id.run).filter((run, k) => (values[k] || []).length);
      const all = [...(over || []).filter((run) => marked.includes(run) || kept.includes(run))];
      for (const run of marked) if (!all.includes(run)) all.push(run);
      const same = all.length === (over || []).length && all.every((run, k) => run === over[k]);
      return same ? window.dash_clientside.no_update : all;
    },

    hands: function (up, down) {
      return up.map((n, k) => String(Math.max((n || 0) - (down[k] || 0), 0)));
    },

    play: function (_clicks, runs, speed) {
      const triggered = window.dash_clientside.callback_context.triggered.map((t) => t.prop_id);
      player.speed = Number(speed) || 1;
      if (triggered.includes("replay-data.data")) player.load(runs || []);
      else if (triggered.includes("replay-play.n_clicks")) player.press();
      return player.word();
    },

    // A slider and its box "as usual": moved, the box is unchecked; checked, the slider goes where it usually stands.
    asUsual: function (value, box, at) {
      const stay = window.dash_clientside.no_update;
      const moved = window.dash_clientside.callback_context.triggered.map((t) => t.prop_id);
      const is = function (end) { return moved.some((id) => id.endsWith(end)); };
      const checked = (box || []).length > 0;
      if ((is("-at.data") && (at.reset || checked)) || (is("-usual.value") && checked)) return [at.value, ["as usual"]];
      if (!is("-usual.value") && !is("-at.data") && checked && Number(value) !== Number(at.value)) return [stay, []];
      return [stay, stay];
    },

    // The units of this browser: kept in a cookie, and the page told anew in them.
    unitsChosen: function (...chosen) {
      const told = chosen.join(", ");
      if (chosen.every(Boolean) && told !== (document.documentElement.dataset.units || "°C, g, ml")) {
        const words = chosen.map((unit) => unit.replace(/[° ]/g, "")).join("+");
        document.cookie = `chillrig-units=${words}; path=/; max-age=31536000; SameSite=Strict`;
        window.location.reload();
      }
      return told;
    },

    inFullCame: function (answered) {
      hand.inFull = keyOf(answered);
      tellTwice();
    },

    rested: function (asked) {
      return settled("rested", asked, 2000);
    },

    shown: function (value) {
      const outputs = window.dash_clientside.callback_context.outputs_list;
      return window.dash_clientside.chillrig.valueWords(value, document.getElementById(outputs.id).dataset);
    },

    valueWords: function (value, facts) {
      if (facts.noneAt !== undefined && Number(value) === Number(facts.noneAt)) return "any";
      return window.chillrigUnits.text(`${String(value).replace("-", "\u2212")} ${facts.unit}`, true);
    },

    targetSliders: function (name, targets) {
      const triggered = window.dash_clientside.callback_context.triggered;
      const stay = window.dash_clientside.no_update;
      if (!triggered.length || !targets[name]) return [stay, stay, stay];
      const t = targets[name];
      return [t.serve_temp_c_max, t.dilution_low, t.dilution_high];
    },
  };

  // Dash calls a set of radio buttons a list box, which is not how it works from the keyboard; say what it is.
  function tellRoles(root) {
    if (root.querySelector("main h1, #frame.bare")) delete document.documentElement.dataset.bare;
    for (const box of root.querySelectorAll(".chips[role='listbox']")) {
      box.setAttribute("role", box.classList.contains("dash-radioitems") ? "radiogroup" : "group");
      const label = document.getElementById(`${box.id}-label`);
      if (label) box.setAttribute("aria-labelledby", label.id);
      else box.setAttribute("aria-label", "Light or dark");
    }
    // a mark in a table is one box with its words beside it, and no list
    for (const box of root.querySelectorAll(".pick[role], .as-usual[role]")) {
      box.removeAttribute("role");
      box.removeAttribute("aria-multiselectable");
    }
    const options = ".chips [role='option'], .chips label[aria-selected], .pick [role='option'], .pick [aria-selected], " +
      ".as-usual [role='option'], .as-usual [aria-selected]";
    for (const option of root.querySelectorAll(options)) {
      option.removeAttribute("role");
      option.removeAttribute("aria-selected");
    }
    for (const link of root.querySelectorAll("nav a")) {
      if (link.parentElement.classList.contains("here")) link.setAttribute("aria-current", "page");
      else link.removeAttribute("aria-current");
    }
    const heading = root.querySelector("main h1");
    // without spare spaces, as a browser tells a title: what is set otherwise would never be what it says
    const words = heading ? heading.textContent.replace(/\s+/g, " ").trim() : "";
    const title = words ? `${words} · chillrig` : "chillrig";
    if (document.title !== title) document.title = title;
  }

  if (/\/(projector|remote)\/?$/.test(window.location.pathname)) document.documentElement.dataset.bare = "";

  new MutationObserver(function () {
    tellRoles(document);
  }).observe(document.documentElement, {
    childList: true,
    subtree: true,
    attributes: true,
    attributeFilter: ["role", "aria-selected"],
  });
})();
