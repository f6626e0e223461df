// Keeps the files that were chosen, where they are few and small enough to be sent; else says what to do.
"use strict";

window.dash_clientside = window.dash_clientside || {};

window.dash_clientside.bring_in = {
  // The field behind the drop zone comes without a name, and later than the page: it is given one for screen readers.
  named: function (words) {
    const named = function () {
      const field = document.querySelector(".bring-drop input[type=file]");
      if (field) field.setAttribute("aria-label", words);
      return Boolean(field);
    };
    if (!named()) {
      const watch = new MutationObserver(function () {
        if (named()) watch.disconnect();
      });
      watch.observe(document.getElementById("page"), { childList: true, subtree: true });
    }
    return window.dash_clientside.no_update;
  },
  taken: function (contents, names, most) {
    const nothing = window.dash_clientside.no_update;
    if (!contents || !contents.length) return [nothing, nothing];
    if (contents.length > most.files) {
      return [nothing, `Choose one to ${most.files} files, not ${contents.length}.`];
    }
    const letters = contents.reduce((sum, c) => sum + c.length, 0);
    // base64 writes three bytes as four letters
    if ((letters * 3) / 4 > most.bytes + 1000) {
      const limit = Math.floor(most.bytes / 1000);
      return [nothing, `These files are larger than ${limit} kB together. Bring them in by chillrig import FILE.`];
    }
    return [{ names: names, contents: contents }, ""];
  },
};
