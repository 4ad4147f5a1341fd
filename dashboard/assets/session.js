/* Where a password is asked for: notices that the session has ended, and lets people end it. Without a
   password it asks once and never again. */
(function () {
  "use strict";
  const D = window.dutytrace;
  const EVERY_MS = 20000;
  let known = null;

  function login() { location.assign("/login?next=" + encodeURIComponent(location.pathname + location.search)); }
  function look() {
    return fetch("/session", { cache: "no-store" }).then((r) => r.json()).then((s) => {
      known = s;
      if (s.password && !s.in) { login(); return; }
      show();
    }).catch(() => {}); /* a server that is away says nothing about a session */
  }
  function leave() { fetch("/logout", { method: "POST" }).finally(() => location.assign("/login")); }
  /* What the head says of it: read-only, and the way out. */
  function show() {
    const aside = document.querySelector(".masthead .aside");
    if (!known || !aside) return;
    if (known.read_only && !document.getElementById("read-only")) {
      const said = document.createElement("span");
      said.id = "read-only"; said.textContent = "Only shown here";
      said.title = "Notes, acknowledging and shelving are not possible from this address.";
      aside.prepend(said);
    }
    if (known.password && !document.getElementById("log-out")) {
      const b = document.createElement("button");
      b.id = "log-out"; b.className = "plain"; b.textContent = "Log out"; b.onclick = leave;
      aside.append(b);
    }
  }
  D.session = { look };
  D.whenever("pages-nav", () => { if (known) show(); else look(); });
  setInterval(() => { if (!document.hidden && (!known || known.password)) look(); }, EVERY_MS);
  document.addEventListener("visibilitychange", () => { if (!document.hidden && known && known.password) look(); });
})();
