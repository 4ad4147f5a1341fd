/* What the server answers Replay (dashboard/replay/). Texts are as they are read. */

/** How many alerts of a mark a recording has. */
export interface AlertCount {
  mark: string;
  n: number;
}

/** A row of the list of recordings; one that cannot be read has a `fault` in place of all but `path`. */
export interface ListedRecording {
  path: string;
  name: string;
  live: boolean;
  begun: string;
  began_s: number;
  simulated: boolean;
  joints: string;
  joint_labels: string;
  joint_names: string;
  length_s: number;
  length: string;
  hottest: string;
  hottest_degC: number | null;
  at: string;
  pen: number;
  alerts: AlertCount[];
  trace: string;
  warning: number | null;
  share: number;
  fault?: string;
}

/** The recordings of a folder, newest first. */
export interface Catalogue {
  folder: string;
  zone: string;
  longest_s: number;
  rows: ListedRecording[];
}

/** An excursion as it is listed at once. */
export interface ExcursionRow {
  mark: string;
  at_s: number;
  from_s: number;
  to_s: number;
  at: string;
  label: string;
  severity: string;
  limit: string;
  joint: string;
  joint_label: string;
  duration: string;
  pen: number;
  peak: string;
}

/** A limit that could not be judged; `at_s` is null where it never can. */
export interface NotJudgedRow {
  at_s: number | null;
  limit: string;
  label: string;
  text: string;
}

/** What led up to an excursion, and who was told of it. */
interface LeadUp {
  at_s: number;
  limit: string;
  joint: string;
  peak: string;
  lead_up: string;
  deliveries: string;
}

/** With a small trace as a mask, the height of its level and where it was raised, both as shares. */
export interface TracedLeadUp extends LeadUp {
  sparkline: string;
  sparkline_level: number | null;
  sparkline_at: number;
}

/** Of a limit that is on no channel. */
export interface PlainLeadUp extends LeadUp {
  sparkline?: undefined;
}

export type ExcursionDetail = TracedLeadUp | PlainLeadUp;

/** A note; `at_s` is null for one that has no place on the traces. */
export interface NoteRow {
  at_s: number | null;
  at: string;
  text: string;
  remark: string;
}

/** A span that a finding stands on; one with several spans has a row for each. */
export interface FindingRow {
  title: string;
  text: string;
  from_s: number;
  to_s: number;
  at: string;
}

/** A file that was attached; `at_s` is null where its time lies outside, `address` empty where it is gone. */
export interface AttachmentRow {
  name: string;
  at_s: number | null;
  at: string;
  size: string;
  who: string;
  address: string;
  state: string;
}

/** A joint that can be drawn; one that is not has pen 0. */
export interface JointChoice {
  name: string;
  label: string;
  pen: number;
}

/** What is shown of a recording whatever its window; `joints` is empty where all are drawn. */
export interface Overview {
  name: string;
  path: string;
  live: boolean;
  packs: boolean;
  when: string;
  length_s: number;
  joints: JointChoice[];
  drawn: string;
  strip: any;
  excursions: ExcursionRow[];
  excursion_count: number;
  notes: NoteRow[];
  findings: FindingRow[];
  attachments: AttachmentRow[];
  not_judged: NotJudgedRow[];
  alert_stops: number[];
  trip_stops: number[];
  other_limits: string;
}

/** A line of the table of a span; of a flag `words` in place of numbers. */
export interface SpanRow {
  title: string;
  unit: string;
  joint: string;
  place: string;
  words: string;
  pen: number;
  other: boolean;
  minimum: string;
  mean: string;
  maximum: string;
  rms: string;
}

/** The figures of a span. */
export interface SpanTable {
  title: string;
  when: string;
  other: string;
  notes: string[];
  table: SpanRow[];
  overlay?: OverlayState;
}

/** How the second recording lies over the first, or why it does not. */
export interface OverlayState {
  label?: string;
  fault?: string;
}

/** An event that a recording can be aligned at. */
export interface Anchor {
  at_s: number;
  label: string;
}

/** At which events two recordings can be aligned; `pair` are the places of the two to begin with.
   `joints`: which of its joints can lie over which. */
export interface Alignment {
  name: string;
  length_s: number;
  events: Anchor[];
  other_events: Anchor[];
  omitted: number;
  pair: [number, number] | null;
  joints: { key: string; label: string }[];
  shares_joints: boolean;
  remarks: string[];
}
