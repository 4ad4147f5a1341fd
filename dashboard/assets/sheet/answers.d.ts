/* What the server answers the Data sheet page (dashboard/sheet/routes.py and view.py). Texts are as they are
   read; places along a line are per cent of the claim. */

export interface Choice {
  key: string;
  name: string;
  pen: number;
}

/** An interval along the plumb line; right is better. */
export interface Bar {
  low: number;
  value: number;
  high: number;
  text: string;
}

/** A value that was measured: where it came from, empty where that recording is gone. */
export interface Source {
  text: string;
  href: string;
}

/** Findings over dates: of each its place, low, value and high, all as shares of the picture. */
export interface TrendPicture {
  points: number[][];
  claim: number | null;
}

export interface ClaimRow {
  label: string;
  condition: string;
  claimed: string;
  claimed_unit: string;
  value: string;
  unit: string;
  interval: string;
  bar: Bar | null;
  mark: string;
  verdict: string;
  by: string;
  why: string;
  sources: Source[];
  trend: TrendPicture | null;
  trend_text: string;
}

export interface DifferenceRow {
  /** Of the two joints: the row is the second less the first. */
  names: string[];
  label: string;
  unit: string;
  first: string[];
  second: string[];
  difference: string;
  interval: string;
  bar: Bar;
  more: boolean;
  shared: string;
  traces: string;
}

/** A joint on the scale of a quantity; places are shares of the scale. */
export interface ScaledJoint {
  name: string;
  /** Of the chosen joint; 0 for those beside it, which are drawn in ink. */
  pen: number;
  value: string;
  interval: string;
  low: number;
  at: number;
  high: number;
  /** Where what is claimed of it lies; null where nothing is, or too far away. */
  claim: number | null;
  /** What is claimed, as it was written; empty for nothing. */
  claimed: string;
}

export interface ComparedQuantity {
  label: string;
  unit: string;
  joints: ScaledJoint[];
  /** Round values of the scale, at shares of it. */
  ticks: { at: number; text: string }[];
  /** Which joint lies above which others by more than chance. */
  apart: { name: string; above: string[] }[];
  /** The difference from which on two would be told apart. */
  needed: string;
  rows: DifferenceRow[];
}

export interface Compared {
  questions: number;
  names: string[];
  quantities: ComparedQuantity[];
}

export interface CsvTable {
  head: string[];
  rows: string[][];
}

export interface SheetAnswer {
  folder: string;
  specimens: Choice[];
  chosen: string;
  others: string[];
  about: string;
  sentence: [string, string][];
  copy: string;
  rows: ClaimRow[];
  dates: string[];
  notes: string[];
  conditions: string[];
  compared: Compared | null;
  table: CsvTable | null;
}
