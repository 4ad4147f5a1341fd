/* What the server answers the Measure page (dashboard/measure/routes.py and view.py). Texts are as they are
   read; times are s since the recording's start. */

export interface Named {
  name: string;
  words: string;
}

/** A reading that a kind takes, and the units of what it is read at; `at_span`: or at a span. */
export interface ReadingRule {
  name: string;
  words: string;
  at: string[];
  at_span: boolean;
  /** The reading that it repeats at the same level; empty for none. */
  repeats: string;
}

export interface Kind {
  name: string;
  title: string;
  words: string;
  takes: string;
  ways: Named[];
  cautions: string[];
  readings: ReadingRule[];
  spans: Named[];
  channels: string[];
  /** Whether it finds by itself in a whole recording what it needs. */
  finds: boolean;
}

export interface Kinds {
  kinds: Kind[];
  /** Whether a result can be kept from here. */
  writes: boolean;
}

export interface Joint {
  name: string;
  label: string;
  pen: number;
}

/** Spans of one role, and what the next one is called. */
export interface SpanRole {
  role: string;
  next: string;
}

export interface Step {
  code: string;
  words: string;
  have: number;
  /** 0: nothing shows that it was done. */
  wants: number;
  /** How many it takes beyond what the steps before it take. */
  missing: number;
  done: boolean;
  now: boolean;
  spans: SpanRole[];
  readings: string[];
}

/** The newest value of the channel that is watched. */
export interface NewestValue {
  channel: string;
  label: string;
  value: string;
  unit: string;
  /** As it is typed behind "at"; empty where nothing is. */
  at: string;
  /** Empty for a fresh one. */
  age: string;
}

/** One thing that has to keep right meanwhile, and what is right or how to go on. */
export interface Watched {
  label: string;
  value: string;
  unit: string;
  state: "normal" | "abnormal" | "danger";
  words: string;
}

export interface Span {
  name: string;
  open: boolean;
  text: string;
}

/** A span that notes of the recording name. */
export interface NotedSpan {
  name: string;
  begin_s: number;
  end_s: number;
}

export interface Result {
  sentence: string;
  label: string;
  answer: string;
  value: string;
  unit: string;
  interval: string;
  uncertainty: string;
  dof: string;
  /** What the maker claims of it; empty for nothing. */
  claim: string;
  /** Only an upper limit is known. */
  is_limit: boolean;
  can_keep: boolean;
  quantities: string[][];
  parts: string[][];
  unknown: string[][];
  remarks: string[];
  method: string;
  instruments: string[];
  assumptions: string[];
  /** As `dutytrace measure KIND --json` gives it, without its picture. */
  json: any;
}

export interface Measured {
  steps: Step[];
  value: NewestValue | null;
  watched: Watched[];
  course: any;
  now_s: number;
  spans: Span[];
  /** Those that are not marked yet. */
  noted: NotedSpan[];
  state: "nothing" | "refused" | "answered";
  reason: string;
  expected: string[];
  result: Result | null;
  picture: any;
  command: string;
  kept: string[];
  sources: string[];
}

export interface MeasureAnswer {
  path: string;
  name: string;
  live: boolean;
  when: string;
  joints: Joint[];
  joint: string;
  measured: Measured | null;
}

/** What a recording holds of a measurement, and how much more it takes. */
export interface Needed {
  enough: boolean;
  words: string;
}

export interface ProgrammeStep {
  kind: string;
  title: string;
  why: string;
  /** Levels for this joint; empty where its rated values are not known. */
  levels: string;
  takes: string;
  /** Whether a finding of it is kept. */
  answered: boolean;
  /** null: nothing of it is recorded, or rows alone do not tell. */
  needed: Needed | null;
}

export interface JointProgramme {
  name: string;
  label: string;
  /** Of the thermal resistance; null where load or temperature is not recorded. */
  heat: Needed | null;
  steps: ProgrammeStep[];
}

export interface Programme {
  joints: JointProgramme[];
}
