/* The text messages of the live route, as dashboard/live/wire_messages.py declares them;
   a test holds the two together and says what has to stand here. */

/** Where a temperature goes: seconds since the recording's start, and the band in degC. */
export interface Ahead {
  channel: string;
  at: number[];
  low: number[];
  median: number[];
  high: number[];
}

/** An open alert: headline (`label` without severity), peak, details, actions and its sound. */
export interface AlertRow {
  number: number;
  mark: string;
  headline: string;
  label: string;
  peak: string;
  detail: string;
  deliveries?: string;
  actions: string[];
  sound: string;
  rank: number;
}

/** The alerts behind the first one, as one line. */
export interface AlertSummary {
  mark: string;
  headline: string;
  detail: string;
}

/** One of several buses: frames a second, load in per cent, and who on it is silent. */
export interface BusLine {
  name: string;
  rate: string;
  load: string;
  mark: string;
  says: string;
}

/** The plan that is followed: stage, how far it is, when it is expected to end ("": unknown). */
export interface CampaignStatus {
  stage: string;
  progress: string;
  end: string;
}

/** The state and fault that a drive reports; `calm` says that it has no fault. */
export interface DriveStatus {
  state?: string;
  state_age?: string;
  fault?: string;
  fault_age?: string;
  calm?: string;
}

/** Figures of the recorder. */
export interface Facts {
  rate: string;
  load: string;
  disk: string;
  open: string;
}

/** The row of one joint. */
export interface JointStatus {
  name: string;
  label: string;
  pen: number;
  mark: string;
  state: string;
  under: string;
  stale: boolean;
  temperature: string;
  place: string;
  range: TemperatureScale;
  limit_time: LimitTime;
  rms: string;
  rated: string;
  age: string[];
  other?: OtherTemperature;
  drive?: DriveStatus;
  ahead?: Ahead;
}

/** When the next limit is reached: value, detail, label, and by which model, where by any. */
export interface LimitTime {
  value: string;
  detail: string;
  label: string;
  model?: string;
}

/** The changes of alerts, gaps and notes in the sheet, as edits of its two lists. */
export interface MarksMessage {
  kind: "marks";
  shapes: any[];
  lane: any[];
}

/** Nothing is being recorded, or nothing can be read (`fault`); `last`: the recording before. */
export interface NothingMessage {
  kind: "nothing";
  last: string;
  fault: string;
  ack: number;
}

/** A second temperature of a joint. */
export interface OtherTemperature {
  value: string;
  label: string;
}

/** A figure without data: the next binary update brings its whole window. */
export interface SheetMessage {
  kind: "sheet";
  window_s: number;
  path: string;
  figure: Record<string, any>;
}

/** No joint is received: since how long, and when the last one was. */
export interface Silence {
  duration: string;
  time: string;
}

/** Everything that the Live page shows besides its figure. */
export interface Status {
  name: string;
  path: string;
  since: string;
  elapsed: string;
  clock: string;
  zone: string;
  facts: Facts;
  buses: BusLine[];
  joints: JointStatus[];
  tiles?: Tiles;
  drawn: string;
  alerts: AlertRow[];
  more_alerts?: AlertSummary;
  remarks: string[];
  campaign?: CampaignStatus;
  stopped?: Stop;
  quiet?: Silence;
}

/** The changes of the status; `whole`: all of it, replacing everything before. */
export interface StatusMessage {
  kind: "status";
  whole: boolean;
  changes: Record<string, any>;
}

/** The recorder stopped or the recording ended: since how long, at which time, its length. */
export interface Stop {
  ended: boolean;
  duration: string;
  time: string;
  elapsed: string;
}

/** A level on the scale of a joint's temperature, in degrees Celsius. */
export interface TemperatureLevel {
  at: number;
  off: number;
  mark: string;
  severity: string;
}

/** A joint's temperature on its scale, and the level that its trend leads to. */
export interface TemperatureScale {
  low: number;
  high: number;
  limits: TemperatureLevel[];
  now?: number;
  will?: number;
}

/** The tile of one of many joints; what a quiet tile does not show is absent. */
export interface TileStatus {
  name: string;
  label: string;
  pen: number;
  mark: string;
  state: string;
  under: string;
  stale: boolean;
  temperature: string;
  limits: TemperatureLevel[];
  now?: number;
  will?: number;
  limit_time?: LimitTime;
  reason?: string;
  fault?: string;
}

/** Tiles in the order of the bench; `order`: their indices worst first, of `full` in full. */
export interface Tiles {
  low: number;
  high: number;
  order: number[];
  full: number;
  summary: string;
  rest: string;
  rest_note: string;
  joints: TileStatus[];
}

/** Any of them. */
export type Message = MarksMessage | NothingMessage | SheetMessage | StatusMessage;
