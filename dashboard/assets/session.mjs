// @ts-check
/* Where a password is asked for: notices that the session has ended, and lets people end it. Without a
   password it asks once and never again. */
import { fetchSession } from "./api.mjs";
import { button, html } from "./dom.mjs";

const EVERY_MS = 20000;
/** @type {{password: boolean, in: boolean, read_only: boolean} | null} */
let session = null;

/** Asks whether the session still stands; leads to the login where it does not. */
export async function checkSession() {
  try {
    session = await fetchSession();
  } catch {
    return; /* a server that is away says nothing about a session */
  }
  if (session?.password && !session.in) {
    location.assign("/login?" + new URLSearchParams({ next: location.pathname + location.search }));
    return;
  }
  showInHead();
}

function leave() {
  fetch("/logout", { method: "POST" }).finally(() => location.assign("/login"));
}

/** What the head says of it: read-only, and the way out. */
function showInHead() {
  const aside = document.querySelector(".masthead .aside");
  if (!session || !aside) return;
  if (session.read_only && !document.getElementById("read-only")) {
    const notice = html("span", "", "Only shown here");
    notice.id = "read-only";
    notice.title = "Notes, acknowledging and shelving are not possible from this address.";
    aside.prepend(notice);
  }
  if (session.password && !document.getElementById("log-out")) {
    const out = button("Log out", leave, "plain");
    out.id = "log-out";
    aside.append(out);
  }
}

/** Looks at the session now, whenever the page is seen again, and from time to time. */
export function startSession() {
  checkSession();
  setInterval(() => {
    if (!document.hidden && (!session || session.password)) checkSession();
  }, EVERY_MS);
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden && session?.password) checkSession();
  });
}
