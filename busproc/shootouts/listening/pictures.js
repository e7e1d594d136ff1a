const TICK_HZ = ["31.5", "63", "125", "250", "500", "1000", "2000", "4000", "8000", "16000"];
const STEPS_S = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300];
const SHOWN_DB = 60;
const THOUSANDTHS = 10; // of full scale in one percent: so peaks come

/** Waveform, gain reduction and spectrum of one variation of a passage. */
class Pictures {
  constructor(home, data, player) {
    Object.assign(this, { home, data, player });
    this.untouched = data.variations.findIndex((variation) => variation.kind === "untouched");
  }

  draw(passage, k) {
    const [heard, name] = [passage.heard[k], this.data.variations[k].name];
    const over = this.overTime(passage, heard, name);
    const figures = [figure(over, ...this.saysReduction(heard)), this.spectrum(passage, heard, name, k)];
    this.home.replaceChildren(made("h3", {}, name), ...figures);
    this.mark();
    this.move();
  }

  overTime(passage, heard, name) {
    const axis = { ticks: timeTicks(this.player.length_s), unit: "seconds of the passage" };
    const panels = [waveform(passage, heard), ...reduction(passage, heard, this.player.length_s)];
    const svg = plot(`Waveform of ${name}${panels[1] ? ", and under it its gain reduction" : ""}`, panels, axis);
    const height = Number(svg.getAttribute("height")) - 2 * FOOT_PX;
    this.outside = made("path", { class: "outside" });
    this.tall = panels.map((panel, k) => [k * (HEAD_PX + panels[0].height) + HEAD_PX, panel.height]);
    this.cursor = made("line", { class: "cursor", y1: HEAD_PX, y2: height });
    const overlay = stretched(0, height, [this.outside, this.cursor]);
    overlay.classList.add("overlay");
    overlay.append(made("rect", { x: 0, y: 0, width: WIDE, height, class: "touched" }));
    this.takePointer(overlay);
    svg.append(overlay);
    return svg;
  }

  /** A click goes there; a pull across marks the loop. */
  takePointer(overlay) {
    const at = (event) => {
      const box = overlay.lastChild.getBoundingClientRect();
      return Math.min(Math.max((event.clientX - box.left) / box.width, 0), 1) * this.player.length_s;
    };
    let from_s = null;
    const ends = (event) => [from_s, at(event)].sort((a, b) => a - b);
    overlay.addEventListener("pointerdown", (event) => {
      from_s = at(event);
      overlay.setPointerCapture(event.pointerId);
    });
    overlay.addEventListener("pointermove", (event) => from_s !== null && this.shade(...ends(event)));
    overlay.addEventListener("pointercancel", () => this.mark((from_s = null)));
    overlay.addEventListener("pointerup", (event) => {
      const [from, to] = ends(event);
      from_s = null;
      if (to - from > this.player.length_s / 100) this.player.mark(from, to);
      else this.mark(this.player.go(from));
    });
  }

  saysReduction({ reduction_db }) {
    if (!reduction_db) return ["No gain reduction."];
    const sorted = [...reduction_db].sort((a, b) => a - b);
    const median = sorted[Math.floor(sorted.length / 2)];
    return [`Gain reduction: ${shown(sorted.at(-1))} dB at most, ${shown(median)} dB half of the time.`];
  }

  spectrum(passage, heard, name, k) {
    const wide = this.data.bands_hz.length - 1;
    const placeOf = (n) => n / wide;
    const ticks = TICK_HZ.map((hz) => [placeOf(this.data.bands_hz.indexOf(hz)), shortHz(hz)]);
    const control = k === this.untouched ? undefined : passage.heard[this.untouched];
    const panels = [levels(passage, heard, control, placeOf)];
    if (control) panels.push(difference(passage, heard, control, placeOf));
    const label = `Third octaves of ${name}${control ? ", and against the untouched" : ""}`;
    const drawn = plot(label, panels, { ticks, unit: "Hz" });
    return figure(drawn, control ? `Dashed: the untouched. ${this.saysDifference(heard, control)}` : "");
  }

  saysDifference(heard, control) {
    const named = apart(heard, control).map((db, n) => [db, this.data.bands_hz[n]]);
    const steps = named.filter(([db]) => db !== null);
    if (!steps.length) return "";
    steps.sort((a, b) => a[0] - b[0]);
    const said = ([db, hz]) => `${shown(db, 1, true)} dB at ${hz} Hz`;
    return `Against it, from ${said(steps[0])} to ${said(steps.at(-1))}.`;
  }

  mark() {
    this.shade(this.player.loop.from_s, this.player.loop.to_s);
  }

  /** Shade what lies outside a stretch. */
  shade(from_s, to_s) {
    const [from, to] = [from_s, to_s].map((at) => (at / this.player.length_s) * WIDE);
    const shades = this.tall.map(
      ([top, height]) => `M0 ${top}h${from}v${height}H0ZM${to} ${top}H${WIDE}v${height}H${to}Z`,
    );
    this.outside.setAttribute("d", shades.join(""));
  }

  move() {
    const x = (this.player.place() / this.player.length_s) * WIDE;
    for (const end of ["x1", "x2"]) this.cursor?.setAttribute(end, x);
  }
}

function figure(drawn, caption) {
  return made("figure", {}, drawn, made("figcaption", {}, caption));
}

/** All variations of a passage on one scale, so that what differs is not the scale. */
function waveform(passage, { highest, lowest }) {
  const most = largest(passage.heard.flatMap((each) => [...each.highest, ...each.lowest].map(Math.abs)), 1);
  const upper = Math.ceil(most / 5 / THOUSANDTHS) * 5;
  const placeOf = (k) => k / Math.max(1, highest.length - 1);
  const [above, below] = [highest, lowest].map((peaks) => peaks.map((peak) => peak / THOUSANDTHS));
  const shapes = [{ d: band(above, below, placeOf), style: "wave" }];
  const step = upper > 50 ? 50 : upper;
  return { heading: "Waveform, % of full scale", upper, lower: -upper, step, height: 110, shapes };
}

function reduction(passage, { reduction_db }, length_s) {
  if (!reduction_db) return [];
  const deepest = largest(passage.heard.flatMap((each) => each.reduction_db ?? []), 0);
  const step = deepest <= 3 ? 1 : deepest <= 9 ? 3 : 6;
  const steps = reduction_db.flatMap((db) => [db, db]);
  const placeOf = (k) => Math.min(1, (Math.ceil(k / 2) * 0.1) / length_s);
  const none = steps.map(() => 0);
  return [
    {
      heading: "Gain reduction, dB",
      upper: 0,
      lower: Math.max(1, Math.ceil(deepest / step)) * step,
      step,
      height: 80,
      shapes: [{ d: band(none, steps, placeOf), style: "deep" }],
    },
  ];
}

function levels(passage, heard, control, placeOf) {
  const known = passage.heard.flatMap((each) => each.bands_db).filter((db) => db !== null);
  const upper = Math.ceil(largest(known, -120) / 10) * 10;
  const lowest = -largest(known.map((db) => -db), 10 - upper);
  const lower = Math.max(Math.floor(lowest / 10) * 10, upper - SHOWN_DB);
  const shapes = [{ d: line(heard.bands_db, placeOf), style: "this" }];
  if (control) shapes.unshift({ d: line(control.bands_db, placeOf), style: "untouched" });
  return { heading: "Third octaves, dBFS", upper, lower, step: 10, height: 150, shapes };
}

function difference(passage, heard, control, placeOf) {
  const all = passage.heard.flatMap((each) => apart(each, control)).map((db) => Math.abs(db ?? 0));
  const most = Math.min(12, largest(all, 1));
  const shapes = [{ d: line(apart(heard, control), placeOf), style: "this" }];
  const step = most <= 3 ? 1 : most <= 6 ? 3 : 6;
  const edge = Math.ceil(most / step) * step;
  return { heading: "Against the untouched, dB", upper: edge, lower: -edge, step, height: 100, shapes };
}

/** What each third octave gained; nothing where it lies far under the loudest, for nobody hears it there. */
function apart(heard, control) {
  const least = largest(control.bands_db.map((db) => db ?? -Infinity), -Infinity) - SHOWN_DB;
  return control.bands_db.map((was, n) => {
    const now = heard.bands_db[n];
    return was === null || now === null || was < least ? null : now - was;
  });
}

function largest(values, least) {
  return values.reduce((most, value) => Math.max(most, value), least);
}

function timeTicks(length_s) {
  const step = STEPS_S.find((each) => length_s / each <= 7) ?? STEPS_S.at(-1);
  const ticks = [];
  for (let k = 0; k * step <= length_s + 1e-9; k++)
    ticks.push([(k * step) / length_s, String(Number((k * step).toFixed(1)))]);
  return ticks;
}

function shortHz(hz) {
  return hz.endsWith("000") ? `${hz.slice(0, -3)}k` : hz;
}
