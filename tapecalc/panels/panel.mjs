// A panel in a page: its controls, the picture and the words that follow them, and what one can take along.

import { buttonControl, checkControl, download, rangeControl, selectControl } from "../live/controls.mjs";
import { element } from "../live/elements.mjs";
import { Pen, svgNode } from "../live/pen.mjs";
import { Picture, setInType, svgText } from "./chart.mjs";
import { checkedValues, firstValues, placeOf, stepsOf, valueAt, valueText } from "./control.mjs";

/** Heights over widths, of a wide picture and of a narrow one with one chart or more. */
const WIDE = 0.575;
const NARROW_ONE = 0.95;
const NARROW_EACH = 0.78;
/** A sound follows a control that has been still for so long, ms. */
const STILL_MS = 200;
const FADE_S = 0.02;

/**
 * @typedef {import("./control.mjs").PanelDefinition} PanelDefinition
 * @typedef {{width: number, height: number, text: number, line: number, scale: number}} Size
 * @typedef {{sizes: Record<string, Size>, style: string}} Kit what a picture that stands alone needs
 * @typedef {{values?: Record<string, any>, onValues?: (values: Record<string, any>, found: any) => void,
 *   address?: boolean}} PanelOptions
 */

/**
 * Draw a panel at a size.
 * @param {PanelDefinition} panel @param {Record<string, any>} values
 * @param {{width: number, height: number, text?: number, line?: number}} size
 */
export function pictureOf(panel, values, size) {
  const picture = new Picture(size);
  panel.draw(picture, panel.reckon(values), values);
  return picture;
}

/**
 * The picture of a panel as a file's text.
 * @param {PanelDefinition} panel @param {Record<string, any>} values
 * @param {{width: number, height: number, text?: number, line?: number}} size @param {string} style
 */
export function pictureText(panel, values, size, style) {
  const alt = `${panel.alt} ${panel.reckon(values).sentence}`;
  return svgText(pictureOf(panel, values, size), { title: panel.question, alt, style });
}

/**
 * The setting that an address holds for a panel, if it does.
 * @param {PanelDefinition} panel @param {string} address what follows the sign "#"
 * @returns {Record<string, any> | null}
 */
export function valuesFromAddress(panel, address) {
  const [name, ...said] = decodeURIComponent(address).split(":");
  if (name !== panel.name) return null;
  const pairs = said.join(":").split(",").filter(Boolean).map((pair) => pair.split("="));
  const first = firstValues(panel.controls);
  return checkedValues(panel.controls, Object.fromEntries(pairs.map(([key, text]) => {
    const kind = typeof first[key];
    return [key, kind === "number" ? Number(text) : kind === "boolean" ? text === "true" : text];
  })));
}

/**
 * @param {PanelDefinition} panel @param {Record<string, any>} values
 * @returns {string} what follows the sign "#"
 */
export function addressOf(panel, values) {
  const said = Object.entries(values).map(([key, value]) => `${key}=${value}`);
  return encodeURI(`${panel.name}:${said.join(",")}`);
}

/**
 * Put a panel into a page.
 * @param {HTMLElement} place @param {PanelDefinition} panel @param {Kit} kit @param {PanelOptions} [options]
 */
export function mountPanel(place, panel, kit, options = {}) {
  const { values = {}, onValues = () => {}, address = false } = options;
  let now = checkedValues(panel.controls, values);
  let found = panel.reckon(now);
  const svg = svgNode("svg", { class: "chart", role: "img" });
  const pen = new Pen(svg);
  const said = element("p", { class: "said", role: "status" });
  const table = element("table");
  const words = element("div", {}, said, table);
  const told = element("p", { class: "told", role: "status" });
  const sound = panel.sound ? new Heard(() => /** @type {any} */ (panel.sound)(found, now)) : null;

  const draw = () => {
    const width = Math.round(place.clientWidth) || 800;
    const picture = new Picture({ width, height: 1 });
    const charts = picture.narrow ? chartsOf(panel, found, now) : 0;
    const part = charts > 1 ? charts * NARROW_EACH : charts ? NARROW_ONE : WIDE;
    picture.height = Math.round(width * part);
    panel.draw(picture, found, now);
    svg.setAttribute("viewBox", `0 0 ${width} ${picture.height}`);
    svg.setAttribute("aria-label", `${panel.alt} ${found.sentence}`);
    pen.begin();
    const nodes = picture.shapes.map(({ tag, given, words }, k) => pen.put(`${k} ${tag}`, tag, given, words));
    pen.end();
    nodes.forEach((node, k) => { if (svg.children[k] !== node) svg.insertBefore(node, svg.children[k]); });
  };
  const follow = () => {
    found = panel.reckon(now);
    said.textContent = setInType(found.sentence);
    showRows(table, found.rows);
    told.textContent = "";
    draw();
    sound?.follow();
  };
  const controls = panel.controls.map((control) => controlOf(control, (value) => {
    now = { ...now, [control.name]: value };
    follow();
    onValues(now, found);
  }));
  const show = () => {
    controls.forEach((one, k) => one.show(now[panel.controls[k].name]));
    follow();
  };
  const set = (/** @type {Record<string, any>} */ given) => {
    now = checkedValues(panel.controls, given);
    show();
    onValues(now, found);
  };

  place.replaceChildren(
    element("p", { class: "question" }, setInType(panel.question)),
    element("div", { class: "knobs" }, ...controls.map((one) => one.node)),
    svg, words,
    element("p", { class: "legend" }, setInType(panel.legend)),
    element("div", { class: "doings" },
      buttonControl("reset", () => set({})),
      sound ? sound.button(() => { told.textContent = panel.heard ?? ""; }) : null,
      address ? buttonControl("link to this setting", () => tellLink()) : null,
      ...keepControls()),
    told,
  );

  /** Put the setting into the page's address, and where the browser lets us into the clipboard. */
  function tellLink() {
    history.replaceState(null, "", `#${addressOf(panel, now)}`);
    const copied = navigator.clipboard?.writeText(location.href) ?? Promise.reject(new Error("no clipboard"));
    copied.then(() => { told.textContent = "The link is copied, and stands in the page's address."; },
      () => { told.textContent = "The page's address leads to this setting now."; });
  }

  /** A list of sizes, and a button for each kind of file. */
  function keepControls() {
    const names = Object.keys(kit.sizes);
    const choices = names.map((name) => ({ value: name, words: name.replace("_", " ") }));
    const sizes = selectControl("picture for", choices, () => {});
    const text = () => pictureText(panel, now, kit.sizes[sizes.list.value], `${typeRules()}${kit.style}`);
    const name = (/** @type {string} */ kind) => `${panel.name}_${sizes.list.value}.${kind}`;
    const svgBlob = () => new Blob([text()], { type: "image/svg+xml" });
    return [
      sizes.node,
      buttonControl("SVG", () => download(svgBlob(), name("svg"))),
      buttonControl("PNG", async () => {
        const blob = await painted(text(), kit.sizes[sizes.list.value]);
        if (blob) download(blob, name("png"));
        else told.textContent = "This browser cannot make a PNG of a picture; the SVG can be had.";
      }),
    ];
  }

  /** Keep room for the longest sentence and table, so that nothing below moves with the first move. */
  function reserve() {
    const all = panel.controls.flatMap((control) => endsOf(control).map((value) => (
      panel.reckon({ ...firstValues(panel.controls), [control.name]: value }))));
    said.style.minHeight = words.style.minHeight = "";
    const heights = [...all, found].map(({ sentence, rows }) => {
      said.textContent = setInType(sentence);
      showRows(table, rows);
      return [said, table].map((part) => part.getBoundingClientRect().height);
    });
    const [highest, most] = [0, 1].map((part) => Math.ceil(Math.max(...heights.map((pair) => pair[part]))));
    said.style.minHeight = `${highest}px`;
    const rest = words.getBoundingClientRect().height - heights[all.length][1];
    words.style.minHeight = `${Math.ceil(rest) + most}px`;
  }

  if (address) {
    const go = () => {
      try {
        const from = valuesFromAddress(panel, location.hash.slice(1));
        if (from) {
          set(from);
          place.scrollIntoView();
        }
      } catch (error) {
        told.textContent = `The address cannot be followed: ${/** @type {Error} */ (error).message}.`;
      }
    };
    addEventListener("hashchange", go);
    show();
    go();
  } else show();
  reserve();
  void document.fonts.ready.then(reserve);
  let width = place.clientWidth;
  const watch = new ResizeObserver(() => {
    if (place.clientWidth === width) return;
    width = place.clientWidth;
    draw();
    reserve();
  });
  watch.observe(place);
  const stop = () => {
    watch.disconnect();
    sound?.stop();
  };
  return { set, get: () => now, found: () => found, stop };
}

/**
 * The values between which a control moves.
 * @param {import("./control.mjs").PanelControl} control
 */
function endsOf({ low, high, options, value }) {
  return options ?? (typeof value === "boolean" ? [false, true] : [low, high]);
}

/**
 * How many charts a panel has.
 * @param {PanelDefinition} panel @param {any} found @param {Record<string, any>} values
 */
function chartsOf(panel, found, values) {
  const picture = new Picture({ width: 400, height: 400 });
  panel.draw(picture, found, values);
  return picture.frames.length;
}

/**
 * @param {HTMLTableElement} table @param {[string, string][]} rows
 */
function showRows(table, rows) {
  while (table.rows.length > rows.length) table.deleteRow(-1);
  rows.forEach(([what, number], k) => {
    const line = table.rows[k] ?? table.insertRow();
    if (!line.cells.length) line.append(element("th", { scope: "row" }), element("td"));
    line.cells[0].textContent = setInType(what);
    line.cells[1].textContent = setInType(number);
  });
}

/**
 * @param {import("./control.mjs").PanelControl} control @param {(value: any) => void} changed
 * @returns {{node: HTMLElement, show: (value: any) => void}}
 */
function controlOf(control, changed) {
  const { options, value } = control;
  const label = setInType(control.label);
  if (options) return selectControl(label, options.map((one) => ({ value: one, words: one })), changed);
  if (typeof value === "boolean") return checkControl(label, changed);
  let exact = value;
  const range = rangeControl({
    name: label, least: 0, most: stepsOf(control), step: 1,
    words: (at) => (
      setInType(valueText(control, placeOf(control, exact) === at ? exact : valueAt(control, at)))),
  }, (place) => {
    exact = valueAt(control, place);
    changed(exact);
  });
  return {
    node: range.node,
    show: (given) => {
      exact = given;
      range.show(placeOf(control, given));
    },
  };
}

/** The type of the page, as rules that a picture can take along. */
function typeRules() {
  let rules = "";
  for (const sheet of document.styleSheets) {
    try {
      for (const rule of sheet.cssRules) if (rule instanceof CSSFontFaceRule) rules += rule.cssText;
    } catch {
      // A sheet from a file of its own may not be read; the picture names the type all the same.
    }
  }
  return rules;
}

/**
 * @param {string} text an SVG @param {Size} size
 * @returns {Promise<Blob | null>} a PNG
 */
async function painted(text, { width, height, scale }) {
  const image = new Image();
  image.src = `data:image/svg+xml;charset=utf-8,${encodeURIComponent(text)}`;
  await image.decode();
  const canvas = document.createElement("canvas");
  canvas.width = Math.round(width * scale);
  canvas.height = Math.round(height * scale);
  const brush = canvas.getContext("2d");
  brush?.drawImage(image, 0, 0, canvas.width, canvas.height);
  return new Promise((resolve) => { canvas.toBlob(resolve, "image/png"); });
}

/** A sound of a panel: nothing before a press, and one key stops it. */
class Heard {
  /** @param {() => import("./control.mjs").PanelSound} make */
  constructor(make) {
    this.make = make;
    /** @type {AudioContext | null} */
    this.context = null;
    /** @type {{source: AudioBufferSourceNode, gain: GainNode} | null} */
    this.playing = null;
    this.timer = 0;
  }

  /** @param {() => void} begun */
  button(begun) {
    this.node = buttonControl("hear it", () => {
      if (this.playing) this.stop();
      else {
        this.start();
        begun();
      }
    });
    addEventListener("keydown", ({ key }) => { if (key === "Escape") this.stop(); });
    return this.node;
  }

  start() {
    this.context ??= new AudioContext();
    void this.context.resume();
    this.silence();
    const { rate, samples } = this.make();
    const buffer = this.context.createBuffer(1, samples.length, rate);
    buffer.copyToChannel(samples, 0);
    const source = new AudioBufferSourceNode(this.context, { buffer });
    const gain = new GainNode(this.context, { gain: 0 });
    gain.gain.linearRampToValueAtTime(1, this.context.currentTime + FADE_S);
    source.connect(gain).connect(this.context.destination);
    source.onended = () => { if (this.playing?.source === source) this.stop(); };
    source.start();
    this.playing = { source, gain };
    this.node.textContent = "stop (Esc)";
  }

  /** Fade out what plays. */
  silence() {
    if (!this.playing || !this.context) return;
    const { source, gain } = this.playing;
    const end = this.context.currentTime + FADE_S;
    gain.gain.setValueAtTime(gain.gain.value, this.context.currentTime);
    gain.gain.linearRampToValueAtTime(0, end);
    source.stop(end);
    this.playing = null;
  }

  stop() {
    clearTimeout(this.timer);
    this.silence();
    if (this.node) this.node.textContent = "hear it";
  }

  /** Play anew what a control has changed, once it is still. */
  follow() {
    if (!this.playing) return;
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.start(), STILL_MS);
  }
}
