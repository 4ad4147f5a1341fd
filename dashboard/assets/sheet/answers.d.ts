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

export interface ComparedPair {
  names: string[];
  rows: DifferenceRow[];
}

export interface Compared {
  questions: number;
  pairs: ComparedPair[];
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
