// What a phone can do beside showing a page: keep its screen awake, and buzz. Where a browser refuses, it is said in words.
"use strict";

(function () {
  const STOP = [350, 120, 350, 120, 700], READY = [120];
  const SECURE = "a browser does that only for pages with a certificate, or of its own computer";
  const phone = { lock: null, who: new Set(), refused: "", buzzed: [] };
  window.chillrigPhone = phone;

  // Before a page was pressed on, a browser neither buzzes nor says that it does not.
  phone.buzz = function (what) {
    phone.buzzed.push(what);
    if (navigator.vibrate && navigator.userActivation && navigator.userActivation.hasBeenActive) navigator.vibrate({ stop: STOP, ready: READY, none: 0 }[what]);
  };

  // A screen that stays on while any page wants it.
  phone.stayAwake = function (who, wants) {
    phone.who[wants ? "add" : "delete"](who);
    hold();
  };

  // The browser lets go whenever the page is out of sight, so it is asked again.
  function hold() {
    if (!phone.who.size) {
      if (phone.lock && phone.lock.release) phone.lock.release();
      phone.lock = null;
    } else if (navigator.wakeLock && !phone.lock && !document.hidden) {
      phone.lock = "asked";
      navigator.wakeLock.request("screen").then(held, (error) => {
        phone.lock = null;
        phone.refused = error.name === "NotAllowedError" ? "the phone saves its battery" : error.message;
        phone.changed();
      });
    }
  }

  function held(lock) {
    phone.lock = lock;
    phone.refused = "";
    lock.addEventListener("release", () => {
      phone.lock = null;
      phone.changed();
    });
    if (!phone.who.size) hold();
    phone.changed();
  }

  // Whoever shows `can` is told here when it has changed.
  phone.changed = () => {};

  phone.can = function () {
    const why = navigator.wakeLock ? phone.refused : window.isSecureContext ? "this browser cannot keep it on" : SECURE;
    return [
      phone.lock && phone.lock.release ? "The screen stays on."
        : why ? `The screen may go dark: ${why}. Set the phone's own time longer.` : "The screen may go dark until you make this phone ready.",
      navigator.vibrate ? "It buzzes at the moment to stop, unless the phone is set to silent." : "It does not buzz: this browser cannot.",
    ];
  };

  phone.SECURE = SECURE;
  document.addEventListener("visibilitychange", hold);
})();
