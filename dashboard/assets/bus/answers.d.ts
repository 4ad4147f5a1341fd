/* What the server answers the Bus page (dashboard/bus/view.py and senders.py). Texts are as they are read. */

/** A recording whose buses can be shown. */
export interface ListedRecording {
  path: string;
  name: string;
  live: boolean;
  begun: string;
}

/** The recordings of a folder. */
export interface RecordingList {
  folder: string;
  zone: string;
  recordings: ListedRecording[];
}

export interface MeanAndMaximum {
  mean: string;
  maximum: string;
}

/** One bus over the whole recording. */
export interface BusSummary {
  name: string;
  where: string;
  load: MeanAndMaximum;
  frames: MeanAndMaximum;
  errors: string;
  remotes: string;
  lost: string;
  garbled: string;
  unanswered: string;
  away: string;
  mark: string;
  state: string;
}

/** Something that happened on a bus, or on all of them (`bus` is null). */
export interface BusEvent {
  at_s: number;
  at: string;
  clock: string;
  mark: string;
  kind: string;
  bus: number | null;
  text: string;
}

/** The text of a cell, and what it sorts by where that is something else. */
export type Cell = [string] | [string, number | null];

/** One identifier that was sent in the span. */
export interface Sender {
  key: string;
  identifier: Cell;
  joint: Cell;
  frame: Cell;
  count: Cell;
  share: Cell;
  period: Cell;
  jitter: Cell;
  gap: Cell;
  reason: Cell;
  decoded: boolean;
}

/** What was sent on one bus in the span that is evaluated. */
export interface Traffic {
  from_s: number;
  to_s: number;
  title: string;
  when: string;
  cut: string;
  facts: [string, string, string][];
  hints: string[];
  /** a mark and a sentence beside the hints; empty where they say all */
  verdict: [string, string] | [];
  undecoded: [string, string, string][];
  errors: [string, string][];
  senders: Sender[];
}

/** Everything that the page shows of a recording; no `traffic` while there is no frame at all. */
export interface BusAnswer {
  path: string;
  name: string;
  live: boolean;
  when: string;
  length_s: number;
  view: [number, number];
  bus: number;
  caution: string;
  buses: BusSummary[];
  figure: any;
  events: BusEvent[];
  earlier: number;
  event_times_s: number[];
  traffic: Traffic | null;
}
