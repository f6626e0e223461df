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

  window.dash_clientside.chillrig = {
    theme: function (value) {
      chosen = value || "system";
      if (chosen === "system") delete document.documentElement.dataset.theme;
      else document.documentElement.dataset.theme = chosen;
      return shownTheme();
    },

    asked: function () {
      const asked = gathered();
      const path = window.location.pathname;
      return settled("asked", asked, 200).then(function (value) {
        if (value === asked && path === window.location.pathname) writeAddress(asked);
        return value;
      });
    },

    rested: function (asked) {
      return settled("rested", asked, 2000);
    },

    shown: function (value) {
      const outputs = window.dash_clientside.callback_context.outputs_list;
      const facts = document.getElementById(outputs.id).dataset;
      if (facts.noneAt !== undefined && Number(value) === Number(facts.noneAt)) return "any";
      return `${String(value).replace("-", "\u2212")} ${facts.unit}`;
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
    for (const box of root.querySelectorAll(".chips[role='listbox']")) {
      box.setAttribute("role", box.classList.contains("dash-radioitems") ? "radiogroup" : "group");
      const label = document.getElementById(`${box.id}-label`);
      if (label) box.setAttribute("aria-labelledby", label.id);
      else box.setAttribute("aria-label", "Light or dark");
    }
    for (const option of root.querySelectorAll(".chips [role='option'], .chips label[aria-selected]")) {
      option.removeAttribute("role");
      option.removeAttribute("aria-selected");
    }
    for (const link of root.querySelectorAll("nav a")) {
      if (link.parentElement.classList.contains("here")) link.setAttribute("aria-current", "page");
      else link.removeAttribute("aria-current");
    }
    const heading = root.querySelector("main h1");
    const title = heading ? `${heading.textContent} · chillrig` : "chillrig";
    if (document.title !== title) document.title = title;
  }

  new MutationObserver(function () {
    tellRoles(document);
  }).observe(document.documentElement, {
    childList: true,
    subtree: true,
    attributes: true,
    attributeFilter: ["role", "aria-selected"],
  });
})();
