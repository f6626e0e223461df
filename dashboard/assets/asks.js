// What a question rests on, as one row of chips that open; a slider's number follows the hand; the bar's "More".
"use strict";

(function () {
  // The value of a control in words: a slider's number, what is chosen of several, or how many of them.
  function valueOf(id) {
    const shown = document.getElementById(`${id}-shown`);
    if (shown) return shown.textContent;
    const box = document.getElementById(id);
    if (!box) return "";
    const chosen = [...box.querySelectorAll("input:checked")].map((input) => input.closest("label").textContent.trim());
    const all = box.querySelectorAll("input").length;
    return chosen.length === 1 ? chosen[0] : chosen.length === all ? `all ${all}` : chosen.length ? `${chosen.length} of ${all}` : "none";
  }

  function tell() {
    for (const ask of document.querySelectorAll("details.ask")) {
      const words = ask.dataset.told.replace(/\{([^}]+)\}/g, (_, id) => valueOf(id));
      const told = ask.querySelector("summary > b");
      if (!/\{|^\s*$/.test(words) && told.textContent !== words) told.textContent = words;
    }
  }

  let due = false;
  function soon() {
    if (due) return;
    due = true;
    window.requestAnimationFrame(function () {
      due = false;
      tell();
    });
  }

  function close(but) {
    for (const ask of document.querySelectorAll("details.ask[open]")) if (ask !== but) ask.open = false;
  }

  document.addEventListener("input", function (event) {
    const slider = event.target;
    const shown = slider.type === "range" && document.getElementById(`${slider.id}-shown`);
    if (shown) shown.textContent = window.dash_clientside.chillrig.valueWords(slider.value, shown.dataset);
    soon();
  }, true); // before whoever holds it back from Dash
  document.addEventListener("change", soon);
  document.addEventListener("click", function (event) {
    const more = event.target.closest("#ways-more"), nav = document.getElementById("ways");
    if (nav) {
      const open = !!more && !nav.classList.contains("open");
      nav.classList.toggle("open", open);
      const button = document.getElementById("ways-more");
      if (button) button.setAttribute("aria-expanded", String(open));
    }
    const shut = event.target.closest(".ask-done");
    close(shut ? null : event.target.closest("details.ask"));
  });
  document.addEventListener("keydown", function (event) {
    const ask = event.key === "Escape" && event.target.closest("details.ask[open]");
    if (!ask) return;
    ask.open = false;
    ask.querySelector("summary").focus();
  });
  new MutationObserver(soon).observe(document.documentElement, { childList: true, subtree: true, characterData: true });
})();
