// @ts-check
/* Numbers, durations, elapsed and clock times as words. Each function has its twin in dashboard/text/format.py;
   both sides are held to tests/dashboard/text/format_cases.json. An instant is in milliseconds since 1970 here. */

const NO_VALUE = "–";
const MINUS = "−";
const THIN_SPACE = "\u202f";
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
const EXPONENT_FROM = 1e21; /* from here on toFixed writes an exponent; every such double is whole */
const MAX_DIGITS = 100; /* as many as toFixed gives: more than a tie of three decimals has */

/** @param {number} n */
function twoDigits(n) {
  return String(n).padStart(2, "0");
}

/**
 * A positive number with its decimals; an exact tie goes to the even digit.
 * @param {number} value
 * @param {number} decimals
 */
function toFixedEven(value, decimals) {
  if (value >= EXPONENT_FROM) return String(BigInt(value)) + (decimals ? "." + "0".repeat(decimals) : "");
  const text = value.toFixed(decimals);
  const digits = value.toFixed(MAX_DIGITS);
  const point = digits.length - MAX_DIGITS;
  const isTie = /^50*$/.test(digits.slice(point + decimals));
  const isOdd = "13579".includes(text.charAt(text.length - 1));
  /* toFixed rounded the tie up, to an odd digit: what was cut off leaves the even one before it. */
  return isTie && isOdd ? digits.slice(0, decimals ? point + decimals : point - 1) : text;
}

/**
 * A number with its decimals: −3.0, 0.0, a dash for none.
 * @param {number | null | undefined} value
 * @param {number} [decimals]
 */
export function formatNumber(value, decimals = 1) {
  if (value === null || value === undefined || !Number.isFinite(value)) return NO_VALUE;
  const text = toFixedEven(Math.abs(value), decimals);
  return value < 0 && Number(text) !== 0 ? MINUS + text : text;
}

/** A whole number, its thousands apart: 12 345. @param {number} value */
export function formatThousands(value) {
  if (!Number.isFinite(value)) return NO_VALUE;
  const text = toFixedEven(Math.abs(value), 0).replace(/\B(?=(\d{3})+$)/g, THIN_SPACE);
  return value < 0 && text !== "0" ? MINUS + text : text;
}

/** A temperature: 65, 65.5. One in whole units gets no decimal: none was measured. @param {number} value */
export function formatReading(value) {
  return formatNumber(value, Number.isInteger(value) ? 0 : 1);
}

/**
 * How often a flag came on, and for what share of the time it was on (NaN: not known).
 * @param {number} count
 * @param {number} share
 * @param {boolean} [isLeast] whether it came on more often than is known
 */
export function formatFlag(count, share, isLeast = false) {
  const known = count < 1 ? "" : count === 1 ? "once" : formatThousands(count) + " times";
  const times = known && isLeast ? "at least " + known : known;
  if (!Number.isFinite(share) || (share <= 0 && !times)) return times || "not on";
  const isCoarse = share >= 0.0995 && share < 0.99;
  const percent = formatNumber(Math.min(100 * share, 99.9), isCoarse ? 0 : 1) + " % of the time";
  const part = share >= 1 ? "all the time" : share < 0.001 ? "under 0.1 % of the time" : percent;
  return times ? `${times}, ${part}` : part;
}

/** Rounds to whole numbers, an exact tie to the even one. @param {number} value */
function roundEven(value) {
  return Number(toFixedEven(value, 0));
}

/** A length of time: 40 ms, 0.6 s, 5 s, 14 min 20 s, 3 h 12 min. @param {number} seconds @returns {string} */
export function formatDuration(seconds) {
  if (!Number.isFinite(seconds)) return "unknown";
  if (seconds < 0) {
    const text = formatDuration(-seconds);
    return text === "0 s" ? text : MINUS + text;
  }
  const whole = roundEven(seconds);
  const isWhole = Math.abs(seconds - whole) < 1e-6;
  if (seconds < 0.0995 && !isWhole) {
    const milliseconds = seconds * 1000;
    return formatNumber(milliseconds, milliseconds >= 9.95 ? 0 : 1) + " ms";
  }
  if (seconds < 9.95 && !isWhole) return formatNumber(seconds, 1) + " s";
  if (whole < 120) return whole + " s";
  if (whole < 7200) {
    const minutes = Math.floor(whole / 60);
    return whole % 60 && minutes < 60 ? `${minutes} min ${whole % 60} s` : `${minutes} min`;
  }
  const minutes = roundEven(whole / 60);
  const hours = Math.floor(minutes / 60);
  return minutes % 60 ? `${hours} h ${minutes % 60} min` : `${hours} h`;
}

/**
 * Time since the start as a running clock shows it: 03:12:45. What is not yet complete is not shown.
 * @param {number} seconds
 * @param {number} [decimals] 0 to 3 digits after the seconds
 */
export function formatElapsed(seconds, decimals = 0) {
  if (!Number.isFinite(seconds)) return NO_VALUE;
  const scale = 10 ** decimals;
  const units = Math.floor(Math.abs(seconds) * scale + 1e-6);
  const whole = Math.floor(units / scale);
  const text = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60].map(twoDigits).join(":");
  const fraction = decimals ? "." + String(units % scale).padStart(decimals, "0") : "";
  return (seconds < 0 && units ? MINUS : "") + text + fraction;
}

/** The digits after the seconds that steps of `step_s` can tell. @param {number} step_s */
export function elapsedDecimals(step_s) {
  return step_s >= 1 ? 0 : step_s >= 0.1 ? 1 : step_s >= 0.01 ? 2 : 3;
}

/** The reader's time zone by its IANA name, such as Europe/Berlin. */
export function readerZone() {
  return Intl.DateTimeFormat().resolvedOptions().timeZone || "UTC";
}

/** Making one costs as much as hundreds of formats. @type {Map<string, Intl.DateTimeFormat>} */
const zoneFormats = new Map();

/**
 * Day and time of an instant in a zone, as they were there and then.
 * @param {number} time_ms
 * @param {string} zone
 * @returns {Record<string, string>}
 */
function localTime(time_ms, zone) {
  let format = zoneFormats.get(zone);
  if (!format) {
    const two = /** @type {const} */ ("2-digit");
    const time = /** @type {const} */ ({ hour: two, minute: two, second: two, hourCycle: "h23" });
    const day = /** @type {const} */ ({ year: "numeric", month: "numeric", day: "numeric" });
    format = new Intl.DateTimeFormat("en-GB", { timeZone: zone, ...time, ...day });
    zoneFormats.set(zone, format);
  }
  /* By whole seconds: what is not yet complete is not shown. */
  const parts = format.formatToParts(Math.floor(time_ms / 1000) * 1000);
  return Object.fromEntries(parts.map((part) => [part.type, part.value]));
}

/** The time of day of an instant: 14:42:45. @param {number} time_ms @param {string} [zone] */
export function formatClock(time_ms, zone = readerZone()) {
  const local = localTime(time_ms, zone);
  return `${local.hour}:${local.minute}:${local.second}`;
}

/** The day of an instant without its year: 25 Nov. @param {number} time_ms @param {string} [zone] */
export function formatShortDate(time_ms, zone = readerZone()) {
  const local = localTime(time_ms, zone);
  return `${Number(local.day)} ${MONTHS[Number(local.month) - 1]}`;
}

/** The day of an instant: 25 Nov 2026. @param {number} time_ms @param {string} [zone] */
export function formatDate(time_ms, zone = readerZone()) {
  return `${formatShortDate(time_ms, zone)} ${localTime(time_ms, zone).year}`;
}

/** When a recording began, as lists show it: 25 Nov 14:42. @param {number} time_ms @param {string} [zone] */
export function formatShortDateTime(time_ms, zone = readerZone()) {
  const local = localTime(time_ms, zone);
  return `${formatShortDate(time_ms, zone)} ${local.hour}:${local.minute}`;
}

/** Day and time of an instant: 25 Nov 2026, 14:42:45. @param {number} time_ms @param {string} [zone] */
export function formatDateTime(time_ms, zone = readerZone()) {
  return `${formatDate(time_ms, zone)}, ${formatClock(time_ms, zone)}`;
}
