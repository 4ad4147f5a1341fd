/* What the server answers the Campaign page (dashboard/campaign/routes.py and view.py). Texts are as they are
   read; places are running hours, and how many folded pauses lie before them. */

export interface Choice {
  path: string;
  name: string;
  live: boolean;
  begun: string;
}

export interface Joint {
  name: string;
  label: string;
  pen: number;
}

/** Another joint, that can be put beside. */
export interface OtherJoint {
  key: string;
  name: string;
}

/** A pause that is folded: `at` are running hours, `long` its own hours; `noted`: somebody wrote the reason. */
export interface Fold {
  at: number;
  length: string;
  long: number;
  when: string;
  reason: string;
  noted: boolean;
  href: string;
}

export interface Stage {
  name: string;
  text: string;
  from: [number, number];
  to: [number, number];
  on: boolean;
}

/** A row between folds: places in running hours; of each bin the lowest, mean and highest hour, the mean as it came,
   and trend and changes alone with the reach of their 95 % interval. */
export interface RowSpan {
  folds: number;
  at: number[];
  low: number[];
  mean: number[];
  high: number[];
  came: number[];
  course: number[];
  reach: number[];
}

export interface MarkedChange {
  at: [number, number];
  from: [number, number];
  to: [number, number];
  text: string;
  said: string;
  href: string;
}

export interface FigureRow {
  label: string;
  unit: string;
  stage: string;
  compared: boolean;
  judged: boolean;
  ticks: [number, string][];
  low: number;
  high: number;
  spans: RowSpan[];
  other: RowSpan[];
  changes: MarkedChange[];
  value: string;
  mark: string;
  words: string;
  href: string;
}

/** One day: what was counted of each kind, in the order of `kinds`. */
export interface Day {
  label: string;
  from: [number, number];
  to: [number, number];
  counts: number[];
  href: string;
}

export interface Kind {
  label: string;
  total: number;
}

export interface Picture {
  hours: number;
  folds: Fold[];
  stages: Stage[];
  next: string;
  yesterday: [number, number];
  rows: FigureRow[];
  days: Day[];
  kinds: Kind[];
}

export interface News {
  mark: string;
  lead: string;
  text: string;
  href: string;
}

export interface ChangeRow {
  when: string;
  reach: string;
  what: string;
  stage: string;
  /** Value, unit and interval of the level just before it and behind it. */
  before: [string, string, string];
  after: [string, string, string];
  by: string;
  unit: string;
  interval: string;
  evidence: string;
  new: boolean;
  href: string;
}

export interface FigureTable {
  head: string[];
  rows: string[][];
}

/** A row a day, the newest first, and where each is shown in Replay. */
export interface DayTable {
  head: string[];
  rows: string[][];
  hrefs: string[];
}

export interface Asked {
  folder: string;
  choices: Choice[];
  path: string;
  joints: Joint[];
  joint: string;
  live: boolean;
}

export interface Nothing extends Asked {
  state: "empty" | "unchosen" | "reading";
}

export interface Refused extends Asked {
  state: "refused";
  refused: string;
  present: string;
}

export interface Shown extends Asked {
  state: "shown";
  reading: boolean;
  others: OtherJoint[];
  other: string;
  other_said: string;
  title: string;
  about: string;
  until: string;
  facts: [string, string, string][];
  sentence: [string, string][];
  copy: string;
  picture: Picture;
  since: string;
  since_cycles: string;
  news: News[];
  changes: ChangeRow[];
  figures: FigureTable;
  both: FigureTable | null;
  days: DayTable;
  unknown: [string, string][];
  notes: string[];
}

export type CampaignAnswer = Nothing | Refused | Shown;
