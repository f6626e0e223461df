// Numbers that the page's own script writes, in the units that this browser has chosen; as rig/answer_units.py does.
"use strict";

(function () {
  const LAB = { "°C": "°C", K: "K", g: "g", ml: "ml" };
  const ONE = { "°F": [5 / 9, 32], oz: [28.349523125, 0], "fl oz": [29.5735295625, 0] };
  const NUMBER = "[-\u2212+]?\\d+(?:\\.\\d+)?", RANGE = "(?: to |\u2013|\u2026)";
  const TOLD = new RegExp(`(± ?|\\b(?:by|within) )?(?<![\\w.,/°])(${NUMBER}(?:${RANGE}${NUMBER}| ?± ?${NUMBER})*)` +
    `([ \u00a0\u202f]?)(°C|K|g|ml)(?![\\w/·²³°^])(?! (?:per|to 100) )` +
    "( or (?:colder|warmer)\\b)?((?: (?:colder|warmer|cooler|hotter|higher|lower|off|apart)\\b)?)", "g");

  // what the server said of this browser when it loaded the page
  function chosen() {
    const told = (document.documentElement.dataset.units || "").split(", ");
    return { ...LAB, ...(told.includes("°F") ? { "°C": "°F", K: "°F" } : {}), ...(told.includes("oz") ? { g: "oz" } : {}),
      ...(told.includes("fl oz") ? { ml: "fl oz" } : {}) };
  }

  function unit(of) {
    return chosen()[of] || of;
  }

  function value(x, of, apart) {
    const there = unit(of);
    if (!ONE[there]) return x;
    return x / ONE[there][0] + (apart || of === "K" ? 0 : ONE[there][1]);
  }

  function digits(told, of) {
    const there = unit(of);
    return there === of ? told : Math.max(0, Math.ceil(-Math.log10(10 ** -told / ONE[there][0]) - 1e-9));
  }

  function number(text, of, apart, exact) {
    const x = Number(text.replace("\u2212", "-")), fine = digits((text.split(".")[1] || "").length, of);
    const told = exact ? value(x, of, apart).toFixed(fine + 1).replace(/\.0$/, "") : value(x, of, apart).toFixed(fine);
    return (Number(told) === 0 ? told.replace("-", "") : told).replace("-", "\u2212");
  }

  // A text with every number that carries a unit in the units chosen; `exact` where its numbers were set.
  function text(said, exact) {
    if (typeof said !== "string") return said;
    const to = chosen();
    if (Object.keys(LAB).every((of) => to[of] === of)) return said;
    const told = said.replace(TOLD, function (whole, lead, numbers, gap, of, limit, tail) {
      if (to[of] === of) return whole;
      const shown = numbers.replace(/(± ?)?((?<!\d)[-\u2212+])?(\d+(?:\.\d+)?)/g,
        (_, off, sign, size) => (off || "") + number((sign || "") + size, of, !!(lead || tail || off), of === "°C" && (exact === true || !!limit)));
      return `${lead || ""}${shown}${gap || " "}${to[of]}${limit || ""}${tail}`;
    });
    return told.replace(/\[(°C|K|g|ml)\]/g, (_, of) => `[${to[of]}]`);
  }

  window.chillrigUnits = { text, unit, value, digits };
})();
