/* What the server answers the Heat page (dashboard/heat/routes.py and view.py). Texts are as they are read. */

/** A piece of the sentence: words, value, given, unit or interval. */
export type Part = [string, string];

/** A slider of the page. */
export interface Rule {
  low: number;
  high: number;
  value: number;
}

export interface Rules {
  /** `fixed`: why it cannot be turned, empty where it can. */
  ambient: Rule & { fixed: string };
  /** `from`: which limit in force it comes from. */
  limit: Rule & { from: string };
  node: string;
  holding: boolean;
  /** What is borne for ever turning and holding still; empty where that is not told. */
  both: string;
}

/** A node of the ladder; `degC` is null where it is not known. */
export interface LadderNode {
  name: string;
  degC: number | null;
  notes: string[];
  /** Heat capacity in J/K, null where it is not known. */
  beam: number | null;
}

/** A resistance between two nodes, from the top. */
export interface Rung {
  value: string;
  unit: string;
  interval: string;
  drop: string;
}

export interface Ladder {
  nodes: LadderNode[];
  resistances: Rung[];
  ambient: { degC: number; note: string };
  load: string;
}

export interface Table {
  head: string[];
  rows: string[][];
}

/** A value, and its interval or what else is said of it. */
export type BorneCell = [string, string];

/** For how long loads are held. */
export interface BorneTable {
  /** `kind`: load, current, cool (a cooler room than the one that is set), time or allowed. */
  columns: { head: string; kind: string }[];
  /** `beyond`: what the load is beyond, empty for nothing. */
  rows: { cells: BorneCell[]; beyond: string }[];
  /** Between rows: what those from `before` on are beyond. */
  lines: { before: number; words: string }[];
  note: string;
}

/** A recording that may be fitted together with the one that is open. */
export interface Other {
  path: string;
  name: string;
  when: string;
}

interface Asked {
  path: string;
  name: string;
  live: boolean;
  when: string;
  joints: { name: string; label: string; pen: number }[];
  joint: string;
  /** As typed, with dates and offsets; empty for the joint's own channel. */
  ambient: string;
  /** Channels of joined instruments. */
  ambients: string[];
}

export interface Fitting extends Asked {
  state: "fitting";
}

export interface Refused extends Asked {
  state: "refused";
  refused: string;
}

export interface Fitted extends Asked {
  state: "fitted";
  until: string;
  sentence: Part[];
  copy: string;
  rules: Rules;
  /** Whether what the joint bears is answered, be it nothing. */
  answered: boolean;
  quantities: [string, string, string][];
  unknown: [string, string][];
  assumed: string[];
  cautions: string[];
  /** When, and what. */
  changes: [string, string][];
  /** Joints that warm this one, a sentence each. */
  neighbours: string[];
  /** What was fitted of the recording that is open, in seconds since its begin. */
  stretch_s: [number, number];
  truth: any;
  truth_note: string;
  curve: any;
  curve_note?: string;
  ladder: Ladder | null;
  table: BorneTable | null;
  /** By ambient, turning and holding still side by side. */
  for_ever: Table | null;
}

/** The load as it was. */
export interface Shown {
  state: "shown";
  sentence: Part[];
  copy: string;
  /** The tightest window, in seconds since the start of the recording. */
  tightest: [number, number] | null;
  curve: any;
  curve_note: string;
  map: any;
  windows: string[][];
  figures: string[][];
  ranges: string[][];
  notes: string[];
  /** The recording whose joint it is held against, where it is not this one. */
  against: { path: string; name: string } | null;
  /** Of the temperature to hold, for a page whose own recording has no fit. */
  rule: (Rule & { node: string; from: string }) | null;
}

export interface Counting {
  state: "counting";
}

export interface NotShown {
  state: "refused";
  refused: string;
}

export type DutyAnswer = Shown | Counting | NotShown;

/** Limits that protect the joint, as tables of a limits file. */
export interface Proposed {
  state: "proposed";
  path: string;
  tables: Record<string, any>[];
  joint: string;
  channel: string;
  level: number;
  said: string[];
}

/** What a joint does under a planned motion. */
export interface Planned {
  state: "planned";
  sentence: Part[];
  copy: string;
  verdict: string;
  lines: string[];
}

export type MotionAnswer = Planned | { state: "fitting" } | NotShown;

export type LimitsFromModel = Proposed | { state: "fitting" } | NotShown;

export type HeatAnswer = Fitting | Refused | Fitted;
