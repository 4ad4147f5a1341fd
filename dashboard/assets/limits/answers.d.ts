/* What the server answers the Limits page (dashboard/limits/). Texts are as they are read. */
import type { Level, Shape } from "./scale.mjs";

/** What is wrong with the limits: at which of them (-1: none in particular) and at which of its keys. */
export interface Mistake {
  index: number;
  key: string;
  text: string;
}

/** A recording that limits can be tried on. */
export interface ListedRecording {
  path: string;
  name: string;
  begun: string;
  live: boolean;
  length_s: number;
  length: string;
  joints: string[];
  joint_labels: Record<string, string>;
  channels: string[];
  limits: number;
}

export interface Channel {
  channel: string;
  label: string;
  unit: string;
}

/** A key that a form offers. */
export interface FormKey {
  key: string;
  label: string;
  unit: string;
  type: "channel" | "choice" | "yes" | "pair" | "number";
  choices?: string[];
  default?: boolean | number | string;
}

/** One way to write a limit. */
export interface Form {
  form: string;
  kind: string;
  label: string;
  blank: Record<string, any>;
  keys: FormKey[];
}

/** What the page begins with; `drop_offs`: a level's key -> the key of its drop-off. */
export interface Start {
  folder: string;
  zone: string;
  recordings: ListedRecording[];
  forms: Form[];
  drop_offs: Record<string, string>;
}

/** How often alerts were raised, where no bad end is given. */
export interface AlertCount {
  raised: number;
  chatters: number;
  lost_share?: string;
  bad_ends?: undefined;
}

/** What the alerts did for the bad ends. */
export interface BadEndScore {
  raised: number;
  chatters: number;
  lost_share?: string;
  caught: number;
  bad_ends: number;
  false_alerts: number;
  false_per_h: string;
  median_lead: string;
  worst_lead: string;
}

export type Score = AlertCount | BadEndScore;

/** An entry of the list of limits. */
export interface LimitRow {
  name: string;
  mark: string;
  label: string;
  sentence: string;
  joint: string;
}

/** One joint of a lane; one that is not drawn has pen 0; spans are shares of the recording. */
export interface LaneJoint {
  joint: string;
  label: string;
  pen: number;
  raised: [number, number][];
  bad_ends: [number, number][];
}

/** One recording. */
export interface Lane {
  path: string;
  name: string;
  live: boolean;
  begun: string;
  length_s: number;
  length: string;
  exact: boolean;
  joints: LaneJoint[];
  score?: Score;
  first_s?: number | null;
}

/** What the open limit measures; of one that measures no joint only `reason`. */
export interface Measure {
  name: string;
  reason?: string;
  unit?: string;
  quantity?: string;
  factor?: number;
  no_level?: boolean;
  may_miss_short?: boolean;
  levels?: Level[][][];
  shapes_key?: string;
  shapes?: Shape[][];
  bins?: number;
}

/** What limits raise over recordings. */
export interface Evaluation {
  limits: LimitRow[];
  forms: string[];
  channels: Channel[];
  lanes: Lane[];
  drawn: string;
  bad_end: boolean;
  exact: boolean;
  can_be_exact: boolean;
  chosen?: Measure;
  score?: Score;
  combined_score?: Score;
  mistakes?: undefined;
}

/** In place of an evaluation: limits that are none. */
export interface Refusal {
  mistakes: Mistake[];
}

export interface Change {
  limit: string;
  key: string;
  value: number;
}

/** One point of the picture of a sweep. */
export interface Candidate {
  candidate: number;
  changes: Change[];
}

/** A sweep that was stopped, or in which nothing was caught. */
export interface NoTradeOff {
  is_complete: boolean;
  sentences: string[];
  figures?: undefined;
  points?: undefined;
  text?: undefined;
}

/** The candidates of a sweep: a picture in each theme, its points, a table of the best, and the choice. */
export interface TradeOff {
  is_complete: boolean;
  sentences: string[];
  figures: Record<string, any>;
  points: Candidate[];
  best: number[];
  chosen: number | null;
  rows: string[][];
  head: string[];
  text?: string;
}

export type SweepResult = NoTradeOff | TradeOff;

/** How far work in processes of its own has come. */
export interface Work {
  number: number;
  state: "waiting" | "running" | "done" | "stopped" | "failed" | "gone";
  share: number;
  left_s?: number;
  fault?: string;
  result?: any;
}
