// @ts-check
/* The alerts of the Live page, each with what can be done about it: at most two lines, of more than two the worst
   one and the others together, until they are opened one by one. */
import { button, byId, find, html, setText } from "../dom.mjs";

/** @type {Record<string, string>} */
const LABELS = { acknowledge: "Acknowledge", shelve: "Shelve 30 min", unshelve: "Hear it again" };
const SHELVED_S = 1800;

/** @typedef {import("./messages.d.ts").AlertRow} AlertRow */
/** @typedef {import("./messages.d.ts").AlertSummary} AlertSummary */

/** The list of open alerts. */
export class AlertList {
  /**
   * @param {import("../page.mjs").Page} page
   * @param {(request: object, button: HTMLButtonElement) => void} send
   */
  constructor(page, send) {
    this.host = byId("live-alerts");
    this.shape = "";
    /** Whether all of them are shown, one by one. */
    this.isOpen = false;
    /** @type {[AlertRow[], AlertSummary | undefined]} */
    this.known = [[], undefined];
    page.listen(this.host, "click", (event) => {
      const button = event.target.closest("button[data-does]");
      if (!button) return;
      const kind = button.dataset.does;
      send({ kind, alert: Number(button.dataset.alert), for_s: kind === "shelve" ? SHELVED_S : 0 }, button);
    });
  }

  /** Shows all of them, or again the worst and the others together. @param {boolean} isOpen */
  open(isOpen) {
    this.isOpen = isOpen;
    this.render(...this.known);
    /** @type {HTMLElement | null} */ (this.host.querySelector("[aria-expanded]"))?.focus();
  }

  /** @param {AlertRow[]} alerts worst first @param {AlertSummary} [more] of more than two: all but the first */
  render(alerts, more) {
    this.known = [alerts, more];
    const shown = more && !this.isOpen ? alerts.slice(0, 1) : alerts;
    const shape = JSON.stringify([shown.map((alert) => [alert.number, alert.mark, alert.actions]), more?.mark]);
    /* Made anew only when others stand there: a button keeps the focus while its alert's words change. */
    if (this.shape !== shape) {
      this.shape = shape;
      const rows = shown.map((alert) => this.row(alert));
      if (more) rows.push(this.moreRow(more));
      this.host.replaceChildren(...rows);
    }
    if (more && !this.isOpen) {
      const row = /** @type {HTMLElement} */ (this.host.lastElementChild);
      setText(find(row, "b"), more.headline);
      setText(find(row, "small"), more.detail);
    }
    shown.forEach((alert, i) => {
      const row = this.host.children[i];
      setText(find(row, "b"), alert.headline);
      setText(find(row, ".peak"), alert.peak);
      setText(find(row, "small"), alert.deliveries ? `${alert.detail}; ${alert.deliveries}` : alert.detail);
    });
  }

  /** The line of all but the first; once they are open, the way back. @param {AlertSummary} more */
  moreRow(more) {
    const { isOpen } = this;
    const does = button(isOpen ? "Together" : "One by one", () => this.open(!isOpen));
    does.setAttribute("aria-expanded", String(isOpen));
    const text = html("span", "said", [html("b"), html("small")]);
    const parts = [html("span", "mark " + more.mark), text, html("span", "does", [does])];
    return html(
      "div",
      isOpen ? "alert more" : "alert many " + more.mark,
      isOpen ? [html("span", "does", [does])] : parts,
    );
  }

  /** @param {AlertRow} alert */
  row(alert) {
    const buttons = alert.actions.map((kind) => {
      const button = html("button", kind === "acknowledge" ? "asked" : "", LABELS[kind]);
      button.dataset.does = kind;
      button.dataset.alert = String(alert.number);
      return button;
    });
    const text = html("span", "said", [html("b"), html("span", "peak"), html("small")]);
    const parts = [html("span", "mark " + alert.mark), text, html("span", "does", buttons)];
    const row = html("div", "alert " + alert.mark, parts);
    row.dataset.alert = String(alert.number);
    return row;
  }

  /** Acknowledges the first one that asks for it. */
  acknowledgeFirst() {
    /** @type {HTMLElement | null} */ (this.host.querySelector("button.asked"))?.click();
  }
}
