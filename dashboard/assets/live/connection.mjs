// @ts-check
/* The websocket of the Live page: opened again by itself, and begun anew when nothing is received, for a
   network that is gone closes nothing. */

const QUIET_MS = 2200;
const AGAIN_MS = 4000;
const RETRY_MS = [250, 500, 1000, 2000, 4000];

/** The one connection of a page to the live route. */
export class LiveConnection {
  /**
   * @param {import("../page.mjs").Page} page whose end is its end
   * @param {{onOpen: () => void, onMessage: (data: string | ArrayBuffer) => void}} handlers
   */
  constructor(page, { onOpen, onMessage }) {
    this.page = page;
    this.onOpen = onOpen;
    this.onMessage = onMessage;
    /** @type {WebSocket | null} */
    this.socket = null;
    this.tries = 0;
    this.received_ms = performance.now();
    this.begun_ms = 0;
    /** When it is tried again, null when it is not being waited for. @type {number | null} */
    this.retry_ms = null;
    page.listen(page.signal, "abort", () => this.socket?.close());
    this.connect();
  }

  connect() {
    if (this.page.gone) return;
    this.page.cancel("retry");
    this.retry_ms = null;
    const previous = this.socket;
    this.socket = null;
    this.begun_ms = performance.now();
    previous?.close();
    const scheme = location.protocol === "https:" ? "wss://" : "ws://";
    const socket = new WebSocket(scheme + location.host + "/api/live");
    socket.binaryType = "arraybuffer";
    this.socket = socket;
    socket.onopen = () => {
      if (socket === this.socket) this.onOpen();
    };
    socket.onmessage = (event) => {
      if (socket !== this.socket || this.page.gone) return;
      this.received_ms = performance.now();
      this.tries = 0;
      this.onMessage(event.data);
    };
    socket.onclose = () => {
      if (socket === this.socket) this.retryLater();
    };
  }

  retryLater() {
    this.socket = null;
    const wait_ms = RETRY_MS[Math.min(this.tries++, RETRY_MS.length - 1)];
    this.retry_ms = performance.now() + wait_ms;
    this.page.after("retry", wait_ms, () => this.connect());
  }

  /** @param {object} message */
  send(message) {
    if (this.socket?.readyState === WebSocket.OPEN) this.socket.send(JSON.stringify(message));
  }

  /**
   * Looks whether anything is received; begins anew where nothing is.
   * @returns {{quiet_s: number, retry_s: number} | null} for how long nothing came, and in how many
   *   seconds it is tried again (0: now); null while messages come
   */
  checkSilence() {
    const now = performance.now();
    const quiet_ms = now - this.received_ms;
    if (quiet_ms <= QUIET_MS || document.hidden) return null;
    /* What was sent into a network that is gone is repeated ever more seldom: begin anew. */
    if (this.retry_ms === null && Math.min(quiet_ms, now - this.begun_ms) > AGAIN_MS) this.connect();
    const retry_s = this.retry_ms === null ? 0 : Math.max(1, Math.ceil((this.retry_ms - now) / 1000));
    return { quiet_s: Math.round(quiet_ms / 1000), retry_s };
  }
}
