/* A screen that stays awake while the Live page is looked at, for who watches from across the room: the
   browser's screen wake lock. Kept in this browser; asked for again whenever the page is seen again, since a
   hidden page loses it. Where the browser has none or refuses, the page says so. */
(function () {
  "use strict";
  const D = window.dutytrace, { put } = D;
  const KEPT = "dutytrace-awake";

  class Awake {
    constructor(button) {
      this.button = button;
      this.says = document.getElementById("live-awake-says");
      this.wanted = localStorage.getItem(KEPT) === "on";
      this.fault = ""; this.lock = null;
      button.onclick = () => {
        this.wanted = !this.wanted;
        localStorage.setItem(KEPT, this.wanted ? "on" : "off");
        this.ask();
      };
      this.seen = () => this.ask();
      document.addEventListener("visibilitychange", this.seen);
      this.ask();
    }
    end() {
      document.removeEventListener("visibilitychange", this.seen);
      this.wanted = false;
      if (this.lock) this.lock.release();
    }
    ask() {
      if (!this.wanted) {
        this.fault = "";
        if (this.lock) this.lock.release();
      } else if (!navigator.wakeLock) {
        this.fault = window.isSecureContext ? "This browser cannot keep a screen awake: set it in the system." :
          "The browser keeps a screen awake only for pages over HTTPS or from its own machine: set it in the system.";
      } else if (!this.lock && !this.asking && !document.hidden) {
        this.asking = true;
        navigator.wakeLock.request("screen").then((lock) => {
          this.asking = false;
          if (!this.wanted) { lock.release(); return; }
          this.lock = lock; this.fault = "";
          lock.addEventListener("release", () => {
            this.lock = null;
            if (this.wanted && !document.hidden) this.fault = "The browser has let the screen go to sleep again.";
            this.show();
          });
          this.show();
        }, () => {
          this.asking = false;
          if (this.wanted) this.fault = "The browser refuses to keep the screen awake; it may be saving its battery.";
          this.show();
        });
      }
      this.show();
    }
    show() {
      this.button.setAttribute("aria-checked", String(!!this.lock));
      put(this.button, "Screen awake: " + (this.lock ? "on" : this.fault ? "not possible" : this.wanted && this.asking ? "asking" : "off"));
      put(this.says, this.fault);
    }
  }

  let awake = null;
  D.whenever("live-awake", (button) => { awake = new Awake(button); }, () => { if (awake) awake.end(); awake = null; });
})();
