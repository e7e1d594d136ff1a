const SVG = "http://www.w3.org/2000/svg";
const LEFT = 8, RIGHT = 99; // where a plot begins and ends across, in percent; the scale stands left of it
const WIDE = 1000, HEAD_PX = 28, FOOT_PX = 22;

/** An element of HTML, or of SVG; what is text stays text. */
function made(tag, attributes = {}, ...content) {
  const drawn = ["svg", "g", "path", "line", "rect", "text"].includes(tag);
  const element = drawn ? document.createElementNS(SVG, tag) : document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...content);
  return element;
}

/** A number with a true minus sign. */
function shown(value, digits = 1, signed = false) {
  const text = value.toFixed(digits);
  const rounded = Number(text);
  if (rounded === 0) return (0).toFixed(digits);
  return (signed && rounded > 0 ? "+" : "") + text.replace("-", "−");
}

/**
 * Panels one under the other over one axis.
 * A panel: {heading, upper, lower, step, height, shapes: [{d(y), style}]}; an axis: {ticks: [[place, text]], unit}.
 */
function plot(label, panels, axis) {
  const height = panels.reduce((sum, panel) => sum + HEAD_PX + panel.height, 0) + 2 * FOOT_PX;
  const svg = made("svg", { role: "img", "aria-label": label, width: "100%", height });
  let top = 0;
  for (const panel of panels) {
    top += HEAD_PX;
    svg.append(made("text", { x: 0, y: top - 9, class: "heading" }, panel.heading), ...scaleOf(panel, top));
    const shapes = panel.shapes.map(({ d, style }) => made("path", { d: d(heightOf(panel)), class: style }));
    svg.append(stretched(top, panel.height, [...gridOf(panel, axis), ...shapes]));
    top += panel.height;
  }
  svg.append(...footOf(axis, top));
  return svg;
}

/** A part of a plot that stretches across; its strokes do not. */
function stretched(top, height, content) {
  const box = { viewBox: `0 0 ${WIDE} ${height}`, preserveAspectRatio: "none" };
  return made("svg", { x: `${LEFT}%`, y: top, width: `${RIGHT - LEFT}%`, height, ...box }, ...content);
}

function heightOf(panel) {
  return (value) => ((panel.upper - value) / (panel.upper - panel.lower)) * panel.height;
}

function ticksOf({ upper, lower, step }) {
  const [low, high] = [Math.min(upper, lower), Math.max(upper, lower)];
  const ticks = [];
  for (let k = Math.ceil(low / step); k * step <= high; k++) ticks.push(k * step);
  return ticks;
}

function scaleOf(panel, top) {
  const y = heightOf(panel);
  return ticksOf(panel).map((value) =>
    made("text", { x: `${LEFT - 1}%`, y: top + y(value) + 4, "text-anchor": "end" }, shown(value, 0)),
  );
}

function gridOf(panel, axis) {
  const y = heightOf(panel);
  const across = ticksOf(panel).map((value) => ({ x1: 0, x2: WIDE, y1: y(value), y2: y(value) }));
  const down = axis.ticks.map(([place]) => ({ x1: place * WIDE, x2: place * WIDE, y1: 0, y2: panel.height }));
  return [...across, ...down].map((line) => made("line", { ...line, class: "grid" }));
}

function footOf(axis, top) {
  const texts = axis.ticks.map(([place, text]) => {
    const x = `${LEFT + (RIGHT - LEFT) * place}%`;
    return made("text", { x, y: top + 15, "text-anchor": place > 0.97 ? "end" : "middle" }, text);
  });
  const unit = { x: `${RIGHT}%`, y: top + 2 * FOOT_PX - 8, "text-anchor": "end", class: "heading" };
  return [...texts, made("text", unit, axis.unit)];
}

/** Lines between neighbours that both have a value. */
function line(values, placeOf) {
  return (y) => {
    let joined = false;
    return values
      .map((value, k) => {
        const to = joined ? "L" : "M";
        joined = value !== null;
        return joined ? `${to}${(placeOf(k) * WIDE).toFixed(1)} ${y(value).toFixed(1)}` : "";
      })
      .join("");
  };
}

/** From one row of values forth to another row back. */
function band(above, below, placeOf) {
  return (y) => {
    const point = (values) => (k) => `${(placeOf(k) * WIDE).toFixed(1)} ${y(values[k]).toFixed(1)}`;
    const order = [...above.keys()];
    return `M${[...order.map(point(above)), ...order.reverse().map(point(below))].join("L")}Z`;
  };
}
