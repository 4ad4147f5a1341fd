// @ts-check
/* The alerts of the Live page: the first three that stand open, each with what can be done about it. */
import { byId, find, html, setText } from "../dom.mjs";

const SHOWN = 3;
/** @type {Record<string, string>} */
const LABELS = { acknowledge: "Acknowledge", shelve: "Shelve 30 min", unshelve: "Hear it again" };
const SHELVED_S = 1800;

/** @typedef {import("./messages.d.ts").AlertRow} AlertRow */

/** The list of open alerts. */
export class AlertList {
  /**
   * @param {import("../page.mjs").Page} page
   * @param {(request: object, button: HTMLButtonElement) => void} send
   */
  constructor(page, send) {
    this.host = byId("live-alerts");
    this.shape = "";
    page.listen(this.host, "click", (event) => {
      const button = event.target.closest("button[data-does]");
      if (!button) return;
      const kind = button.dataset.does;
      send({ kind, alert: Number(button.dataset.alert), for_s: kind === "shelve" ? SHELVED_S : 0 }, button);
    });
  }

  /** @param {AlertRow[]} alerts */
  render(alerts) {
    const shown = alerts.slice(0, SHOWN);
    const more = alerts.length - shown.length;
    const shape = JSON.stringify([shown.map((alert) => [alert.number, alert.mark, alert.actions]), more]);
    /* Made anew only when others stand there: a button keeps the focus while its alert's words change. */
    if (this.shape !== shape) {
      this.shape = shape;
      const rows = shown.map((alert) => this.row(alert));
      if (more) rows.push(html("div", "alert more", `and ${more} more`));
      this.host.replaceChildren(...rows);
    }
    shown.forEach((alert, i) => {
      const row = this.host.children[i];
      setText(find(row, "b"), alert.headline);
      setText(find(row, ".peak"), alert.peak);
      setText(find(row, "small"), alert.deliveries ? `${alert.detail}; ${alert.deliveries}` : alert.detail);
    });
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
