/* The units in which this reader wants angles and speeds: chosen in a dialog of the head, kept in the
   browser, told to the server with each question. Other open pages of this browser follow. */
(function () {
  "use strict";
  const D = window.dutytrace;

  function mark() {
    const now = D.units();
    for (const b of document.querySelectorAll("#units [data-unit]")) b.setAttribute("aria-pressed", String(now[b.dataset.quantity] === b.dataset.unit));
  }
  function tell() { mark(); window.dispatchEvent(new Event("dutytrace-units")); }

  document.addEventListener("click", (e) => {
    const dialog = document.getElementById("units");
    if (!dialog) return;
    if (e.target.closest("#units-open")) { mark(); dialog.showModal(); }
    if (e.target.closest("#units-close")) dialog.close();
    const b = e.target.closest("#units [data-unit]");
    if (!b) return;
    const now = D.units();
    now[b.dataset.quantity] = b.dataset.unit;
    localStorage.setItem("dutytrace-units", JSON.stringify(now));
    tell();
  });
  addEventListener("storage", (e) => { if (e.key === "dutytrace-units") tell(); });
})();
