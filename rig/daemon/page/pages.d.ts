// Types that the pages' scripts share. `Api` and `Elements` are made from what the server says of its answers and from
// the ids in the HTML, each time the types are checked.

/** A quantity of a cycle, as results name it. */
type Quantity = "peak_force_n" | "peak_deflection_mm" | "secant_n_per_mm" | "energy_absorbed_mj" | "hysteresis_pct"
  | "energy_return_pct" | "set_mm";

/** A quantity, its title, and the unit that it is kept in. */
type Column = [Quantity, string, string];

/** A mean over the cycles that count. */
interface Mean {
  mean: number | null;
  half95: number | null;
  n: number;
}

/** One cycle as `pressrig analyse --json` gives it. */
type CycleResult = { cycle: number; flags: string[]; start_s: number | null; end_s: number | null; contact_mm: number | null; zero_n: number | null }
  & { [name in Quantity | `${Quantity}_u`]: number | null };

/** One capture as `pressrig analyse --json` gives it. */
interface CaptureResult {
  summary: { [name in Quantity]: Mean };
  cycles: CycleResult[];
  warnings: string[];
}

/** The result of one capture, and how many cycles it has. */
interface Measured {
  capture: CaptureResult;
  cycles: number;
}

/** A file that may have a name, and more. */
interface Named {
  name?: string;
  [more: string]: unknown;
}

/** How counts were read; a part is missing where a channel was recorded in its unit. */
interface Calibrated {
  name?: string;
  force?: { per_count_n: number; zero_counts: number } | null;
  position?: { per_count_mm: number; zero_counts: number } | null;
  force_delay_s?: number;
  compliance_mm_per_n?: number;
}

/** What a capture says about itself. */
interface About extends Omit<Api.About, "header"> {
  header: {
    specimen: string;
    batch: string | null;
    free_height_mm: number | null;
    area_mm2: number | null;
    started: string;
    operator: string | null;
    notes: string;
    source: string;
    software: string;
    conditions: { [name: string]: string };
    rig: Named;
    method: Named | null;
    calibration: Calibrated | null;
    warnings: string[];
  };
}

/** A curve of force against deflection. */
interface Curve {
  name?: string;
  deflection_mm: number[];
  force_n: number[];
}

/** Points of a line; a gap is null. */
interface Line {
  x: (number | null)[];
  y: (number | null)[];
  name?: string;
  showlegend?: boolean;
  [setting: string]: unknown;
}

interface PlotLayout {
  [setting: string]: unknown;
}

/** What a drawn plot says of a new range: the keys are such as `xaxis.range[0]`. */
type Relayout = { [key: string]: unknown };

interface PlotElement extends HTMLElement {
  on(event: "plotly_relayout", told: (change: Relayout) => void): void;
}

/** What the pages use of the library for plots. */
interface Plotly {
  react(place: HTMLElement, data: Line[], layout: PlotLayout, config: object): Promise<PlotElement>;
}

interface Window {
  Plotly: Plotly;
}
