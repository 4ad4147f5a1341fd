/* What the server answers the Layout page (dashboard/found_layout/routes.py and view.py). Texts are as they are
   read; times are s since the recording's start. */

/** One of the four things that are done with the joint; null: not begun, or still being done. */
export interface Step {
  name: string;
  words: string;
  begin_s: number | null;
  end_s: number | null;
}

/** What a bit is: "still", "value", "unknown", "selector", "checksum", "counter"; of a value its number. */
export interface Bit {
  sort: string;
  value: number | null;
}

export interface FrameKind {
  name: string;
  pace: string;
  checks: string[];
  /** A byte each, its highest bit first. */
  bytes: Bit[][];
}

/** Probabilities, 0 to 1. */
export interface Sureness {
  place: number;
  meaning: number;
  scale: number;
}

export interface FoundValue {
  number: number;
  kind: string;
  meaning: string;
  /** Empty: it has no meaning that a layout knows. */
  channel: string;
  place: string;
  seen: string;
  scale: number | null;
  offset: number;
  unit: string;
  sure: Sureness;
  reason: string;
  rivals: string[];
  /** Whether a layout can have a number of its form. */
  expressible: boolean;
}

export interface CorrectedStep {
  name: string;
  begin_s: number;
  end_s: number;
}

export interface FoundProposal {
  /** The proposal as its file has it: handed back when it is decided. */
  file: any;
  source: string;
  frames: number;
  kinds: FrameKind[];
  values: FoundValue[];
  undecided: string[];
  corrected: CorrectedStep[];
  figure: any;
}

export interface LayoutAnswer {
  path: string;
  name: string;
  live: boolean;
  when: string;
  length_s: number;
  buses: string[];
  steps: Step[];
  /** "marking", "finding", "found" or "refused". */
  state: string;
  refused: string;
  proposal: FoundProposal | null;
}

/** What a person said of one value. */
export interface Decision {
  number: number;
  state: "confirmed" | "left out";
  channel: string;
  scale: number | null;
  offset: number;
}

export interface MadeLayout {
  name: string;
  layout: string;
  proposal: string;
  /** Keys that the bench file needs beside it. */
  bench: string[];
}
