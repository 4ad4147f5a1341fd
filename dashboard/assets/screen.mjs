// @ts-check
/* The screen that the pages are seen on: its form, colours and the height that a figure may take. */

/** @returns {"narrow" | "normal" | "wide"} */
export function screenForm() {
  return innerWidth <= 760 ? "narrow" : innerWidth >= 2000 ? "wide" : "normal";
}

/** @returns {"dark" | "light"} */
export function screenTheme() {
  return matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light";
}

/** The height of a figure of rows; `beside_px`: what stands above and below it on a wide screen. */
export function screenHeight(beside_px = 430) {
  const form = screenForm();
  if (form === "narrow") return 640;
  if (form === "wide") return Math.max(640, Math.min(1000, innerHeight - beside_px));
  return Math.max(430, Math.min(560, innerHeight - 470));
}
