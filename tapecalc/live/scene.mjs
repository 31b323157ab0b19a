/** The tape and its heads as a picture that moves: true proportions, a ruler, and what is on the tape. */

import { drawDeck, turnThings } from "./deck.mjs";
import { composition, spanOf } from "./layout.mjs";
import { Grip, SendSlider } from "./grips.mjs";
import { Pen, svgNode } from "./pen.mjs";
import { PASSES, TapeTrace, wayRound } from "./trace.mjs";
import { headsSaid, loopSaid } from "./telling.mjs";
import { drawWires } from "./wires.mjs";

const LAYERS = ["wires", "back", "tape", "marks", "front", "words"];
/** How long the picture takes to fit itself to a head that was let go, ms. */
const FIT_MS = 300;
/** A head pulled into this share of the ruler's end makes more of the tape show. */
const PULL = 0.95;
/** How much more shows with each frame then. */
const PULLED = 1.008;
/** Frames of which the script's time is kept. */
const KEPT_FRAMES = 600;
/** A head lights up from this share of the loudest on. */
const HEARD = 0.02;
/** A report is followed this fast, share of the difference a frame. */
const FOLLOW = 0.12;

/** Dry sound that is this loud fills the tape at least, so that hiss alone stays a line. */
const LEAST_LOUD = 0.05;
/** What a loud sound leaves of the height for what is returned. */
const HEADROOM = 1.25;

/**
 * How tall a level is drawn: soft sounds can be seen as well.
 * @param {number} share
 */
function tallness(share) {
  return Math.min(1, share ** 0.6);
}

/**
 * @typedef {object} SceneHandlers
 * @property {(index: number, mm: number, done: boolean) => void} onHead
 * @property {(db: number, done: boolean) => void} onSend
 * @property {(index: number) => void} onTouch
 */

/** Draws the scene into an element and follows setting, reports and time. */
export class Scene {
  /**
   * @param {HTMLElement} element
   * @param {any} facts
   * @param {SceneHandlers} handlers
   */
  constructor(element, facts, handlers) {
    this.element = element;
    /** @type {any} */
    this.place = null; // where everything stands, by `composition`
    /** @type {any} */
    this.layers = {};
    this.svg = svgNode("svg", { class: "scene", role: "group", "aria-label": "Tape, heads and return send" });
    this.defs = svgNode("defs");
    this.clip = svgNode("rect");
    this.clipBefore = svgNode("rect");
    this.headLayer = svgNode("g", { class: "heads" });
    this.send = new SendSlider(handlers.onSend, () => this.setting.return_send_db);
    this.id = `tape-${Math.random().toString(36).slice(2, 8)}`;
    /** @type {Grip[]} */
    this.heads = [];
    /** @type {any[]} */
    this.rides = [];
    /** @type {any[]} */
    this.packs = [];
    /** @type {any} */
    this.lap = null;
    /** @type {any} */
    this.capstan = null;
    /** @type {any[]} */
    this.said = [];
    /** @type {any} */
    this.loop = null;
    /** @type {number[]} */
    this.times = [];
    /** @type {any} */
    this.heard = null;
    /** @type {CanvasRenderingContext2D | null} */
    this.brush = null;
    /** @type {number | null} */
    this.last = null;
    this.from = 0;
    this.since = 0;
    this.found = false;
    this.stale = true;
    this.pulling = false;
    this.size = "";
    this.frame = 0;
    this.changed = true;
    this.facts = facts;
    this.handlers = handlers;
    this.trace = new TapeTrace(facts);
    this.setting = facts.setting;
    this.touched = 0;
    this.dragged = false;
    this.tight = 0; // how wide what is said of the heads was when none was held, pixels
    this.playing = false;
    this.position = 0;
    this.there = 0;
    this.speed = 0;
    this.loud = HEADROOM * LEAST_LOUD;
    this.span = this.goal = spanOf(this.farthest());
    this.widths = new Map();
    this.calm = matchMedia("(prefers-reduced-motion: reduce)");
    this.build();
    this.watch = new ResizeObserver(() => this.dirty());
    this.watch.observe(element);
    document.fonts?.ready.then(() => {
      this.widths.clear();
      this.dirty();
    });
    this.draw(performance.now());
  }

  build() {
    this.svg.append(this.defs);
    for (const name of LAYERS) {
      const layer = svgNode("g", { class: name, "aria-hidden": "true" });
      this.layers[name] = new Pen(layer);
      this.svg.append(layer);
    }
    this.buildDefs();
    this.buildTrace();
    this.svg.insertBefore(this.headLayer, this.layers.words.group);
    this.svg.append(this.send.group);
    this.element.append(this.svg);
  }

  buildDefs() {
    for (const [name, turned] of [["fade", {}], ["leave", {}], ["bend", { x2: 0, y2: 1 }]]) {
      const fade = svgNode("linearGradient", { id: `${this.id}-${name}`, ...Object(turned) });
      const look = name === "fade" ? "fade" : "leave";
      for (const at of [0, 1]) fade.append(svgNode("stop", { offset: at, class: `${look}${at}` }));
      this.defs.append(fade);
    }
    const hatch = svgNode("pattern", {
      id: `${this.id}-hatch`, width: 6, height: 6, patternUnits: "userSpaceOnUse",
        patternTransform: "rotate(45)",
    });
    hatch.append(svgNode("line", { x1: 0, y1: 0, x2: 0, y2: 6, class: "hatch" }));
    for (const [name, rect] of [["now", this.clip], ["before", this.clipBefore]]) {
      const path = svgNode("clipPath", { id: `${this.id}-${name}` });
      path.append(rect);
      this.defs.append(path);
    }
    this.defs.append(hatch);
  }

  /** What rides on the tape: once past the record head, once coming round to it, once leaving in a bend. */
  buildTrace() {
    this.rides = ["now", "before", "bend"].map((name) => {
      const outer = svgNode("g", name === "bend" ? {} : { "clip-path": `url(#${this.id}-${name})` });
      const group = svgNode("g", { class: "trace" });
      const dry = svgNode("path", { class: "dry" });
      const returned = Array.from({ length: PASSES },
        (_, k) => svgNode("path", { class: `pass pass${k + 1}` }));
      group.append(dry, ...returned);
      outer.append(group);
      this.svg.insertBefore(outer, this.layers.marks.group);
      return { group, dry, returned, base: 0 };
    });
  }

  farthest() {
    return Math.max(...this.setting.heads.map((/** @type {any} */ head) => head.spacing_mm));
  }

  /**
   * Show a setting; `touched` is the head that was moved last.
   * @param {any} setting
   * @param {any} touched
   */
  show(setting, touched) {
    this.setting = setting;
    this.touched = touched;
    this.settle();
    if (!this.dragged) this.fit();
    this.dirty();
  }

  /** Let the picture fit the farthest head. */
  fit() {
    const goal = spanOf(this.farthest());
    if (goal === this.goal) return;
    this.goal = goal;
    this.from = this.span;
    this.since = performance.now();
    if (this.calm.matches) this.span = goal;
  }

  /** @param {boolean} playing */
  run(playing) {
    this.svg.classList.toggle("running", playing);
    if (playing && !this.playing) {
      this.trace.clear();
      this.stale = true;
    }
    this.playing = playing;
    if (!playing) {
      this.speed = 0;
      this.heard = null;
      this.settle();
    }
    this.dirty();
  }

  /**
   * Take a report of the engine.
   * @param {any} report
   */
  report(report) {
    const fed = report.heads.filter((/** @type {any} */ _, /** @type {number} */ k) =>
      this.setting.heads[k]?.on && this.setting.heads[k].feeds_return)
      .map((/** @type {any} */ head) => head.spacing_mm); // where it is, not where it goes
    const mm = report.position_m * 1000;
    if (mm < this.there - 50) this.trace.clear();
    this.trace.add(report.cells, fed);
    const peak = report.cells.reduce((/** @type {any} */ most, /** @type {any} */ cell) =>
      Math.max(most, cell.dry), LEAST_LOUD);
    this.loud = Math.max(this.loud * 0.9995, HEADROOM * peak);
    const apart = mm - this.position;
    this.there = mm;
    this.position = Math.abs(apart) > 40 ? mm : this.position + apart * FOLLOW;
    this.speed = report.speed * 1000;
    this.heard = report.heads;
    if (this.calm.matches) this.heads.forEach((grip, k) => this.light(grip, k));
    else {
      this.stale = true;
      this.ask();
    }
  }

  /** Where nothing may move by itself, the tape is shown as it is when somebody does something. */
  settle() {
    if (this.calm.matches) this.position = this.there;
  }

  dirty() {
    this.changed = true;
    this.ask();
  }

  ask() {
    if (!this.frame) this.frame = requestAnimationFrame((now) => this.draw(now));
  }

  /**
   * Draw one frame, and ask for the next while anything moves.
   * @param {any} now
   */
  draw(now) {
    const begin = performance.now();
    this.frame = 0;
    const gone = Math.min(100, now - (this.last ?? now)) / 1000;
    this.last = now;
    const fitting = this.span !== this.goal && !this.dragged;
    if (fitting) this.stretch(now);
    if (this.dragged) this.pull();
    if (this.playing && !this.calm.matches) this.position += this.speed * gone;
    if (this.changed || fitting || this.dragged) this.compose();
    this.changed = false;
    this.ride();
    if ((this.playing && this.speed > 0 && !this.calm.matches) || fitting || this.pulling) this.ask();
    this.times.push(performance.now() - begin);
    if (this.times.length > KEPT_FRAMES) this.times.shift();
  }

  /**
   * Go from one span to another within `FIT_MS`.
   * @param {any} now
   */
  stretch(now) {
    const turn = Math.min(1, Math.max(0, (now - this.since) / FIT_MS));
    const eased = 0.5 - 0.5 * Math.cos(Math.PI * turn);
    this.span = turn >= 1 ? this.goal : this.from + (this.goal - this.from) * eased;
  }

  /** Show more of the tape while a head is held at the end of the ruler. */
  pull() {
    const head = this.heads[this.touched];
    this.pulling = Boolean(head?.pulled > PULL * (this.place.end - this.place.zero))
      && this.setting.heads[this.touched].spacing_mm < this.facts.most_mm;
    if (!this.pulling) return;
    this.span *= PULLED;
    this.goal = this.span;
    this.compose();
    head.follow();
  }

  /**
   * Width of some words in pixels, asked once.
   * @param {string} words
   * @param {number} size
   */
  wide(words, size, weight = 400) {
    const key = `${weight} ${size} ${words}`;
    if (!this.widths.has(key)) {
      const canvas = document.createElement("canvas");
      this.brush ??= /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
      this.brush.font = `${weight} ${size}px ${getComputedStyle(this.element).fontFamily}`;
      this.widths.set(key, this.brush.measureText(words).width);
    }
    return this.widths.get(key);
  }

  /** Put everything in its place that does not ride on the tape. */
  compose() {
    const width = Math.max(300, Math.round(this.element.clientWidth || 800));
    const { setting, facts } = this;
    this.said = headsSaid(facts, setting);
    this.loop = loopSaid(facts, setting);
    const plain = facts.notes.filter((/** @type {any} */ note) => note.plain || note.name === setting.note);
    const names = [...plain.map((/** @type {any} */ note) => note.name),
      ...this.said.map((one) => one.note)];
    this.place = composition({
      width,
      spanMm: this.span,
      spacingsMm: setting.heads.map((/** @type {any} */ head) => head.spacing_mm),
      headMm: facts.head_width_mm,
      loop: facts.loop_length_m !== null,
      labelWidth: Math.max(this.wide("in time (28 ms late)", 13, 600) + 14,
        ...names.map((name) => this.wide(name, 13))),
      tightWidth: this.tightWidth(),
      nameWidth: this.wide("record", 13),
    });
    const height = this.place.height;
    if (this.size !== `${width} ${height}`) {
      this.size = `${width} ${height}`;
      this.svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
      this.svg.setAttribute("height", String(height));
    }
    for (const pen of Object.values(this.layers)) pen.begin();
    drawDeck(this);
    this.drawHeads();
    drawWires(this);
    this.drawSend();
    for (const pen of Object.values(this.layers)) pen.end();
    this.stale = true;
  }

  /** How wide what is said of the heads is now; while one is held, as it was, so that nothing jumps. */
  tightWidth() {
    if (!this.dragged || !this.tight) this.tight = Math.max(...this.said.map((one) => Math.max(
      this.wide(one.note, 13), one.inTime ? this.wide("in time", 13, 600) + 14 : this.wide(one.off, 13))));
    return this.tight;
  }

  /** Whether the heads are drawn so wide that their names stand on them. */
  namesInside() {
    return this.place.headMm * this.place.scale > this.wide("playback", 13) + 12;
  }

  /**
   * Where each playback head is called so: on it, on one side of its neck, or nowhere for want of room.
   * @returns {string[]}
   */
  namesAt() {
    const { grips, x, width, scale, headMm, zero } = this.place;
    /** @type {number[]} */
    const at = this.setting.heads.map((/** @type {any} */ head) => x(head.spacing_mm));
    const others = (/** @type {number} */ k) => at.map((_, n) => n).filter((n) => n !== k);
    if (this.namesInside()) return at.map((one, k) =>
      (others(k).every((n) => Math.abs(at[n] - one) > headMm * scale) ? "on" : ""));
    if (grips.kind === "rows") return at.map(() => "");
    const room = 9 + this.wide("playback", 13);
    const start = zero + (headMm * scale) / 2 + this.wide("record", 13) / 2;
    /** @type {number[][]} */
    const taken = [];
    return at.map((one, k) => {
      const lean = grips.middles[k] - one;
      for (const [side, low, high] of /** @type {[string, number, number][]} */ (
        [["right", one + 4, one + room], ["left", one - room, one - 4]])) {
        if (Math.abs(lean) > 4 && lean > 0 === (side === "right")) continue;
        const free = low > start && high < width - 4
          && taken.every(([from, to]) => to < low - 6 || from > high + 6)
          && others(k).every((n) => Math.min(at[n], grips.middles[n]) > high + 8
            || Math.max(at[n], grips.middles[n]) < low - 8);
        if (!free) continue;
        taken.push([low, high]);
        return side;
      }
      return "";
    });
  }

  drawHeads() {
    const { setting, place } = this;
    while (this.heads.length < setting.heads.length) {
      const grip = new Grip(this.heads.length, {
        mmAt: (/** @type {number} */ x) => (x - this.place.zero) / this.place.scale,
        shown: () => this.span,
        now: (/** @type {number} */ k) => this.setting.heads[k].spacing_mm,
        least: this.facts.least_mm,
        most: this.facts.most_mm,
        held: (/** @type {number} */ k, /** @type {boolean} */ held) => this.hold(k, held),
        moved: this.handlers.onHead,
        touched: this.handlers.onTouch,
        scaleOf: () => this.svg.getBoundingClientRect(),
      });
      this.heads.push(grip);
      this.headLayer.append(grip.group);
    }
    while (this.heads.length > setting.heads.length) this.heads.pop()?.group.remove();
    const middles = /** @type {number[]} */ (place.grips.middles);
    const order = middles.map((_, k) => k).sort((a, b) => middles[a] - middles[b]);
    const hinted = this.hintAt(order);
    const named = this.namesAt();
    this.heads.forEach((grip, k) => {
      this.drawNeck(k);
      grip.draw({
        head: setting.heads[k],
        said: this.said[k],
        place,
        touched: k === this.touched,
        named: named[k],
        hint: hinted?.head === k ? hinted : null,
        wide: (/** @type {string} */ words) => this.wide(words, 13, 600),
      });
    });
  }

  /**
   * What joins a grip to its head, below all grips; and its gap, above all heads.
   * @param {number} k
   */
  drawNeck(k) {
    const { grips, lower, handle, body, tape, x } = this.place;
    const [grip, at] = [grips.middles[k], x(this.setting.heads[k].spacing_mm)];
    const { on } = this.setting.heads[k];
    const low = (grips.row[k] ? lower : handle) + 44;
    const bend = grips.kind === "rows" ? lower + 50 : low;
    this.layers.front.line(`neck${k}`, [grip, low, grip, bend, at, body + 1], on ? "neck" : "neck off");
    this.layers.words.line(`gap${k}`, [at, tape - 12, at, tape + 3.4], on ? "gap" : "gap off");
  }

  /**
   * Where the one line stands that says what to do: beside a grip, where there is room.
   * @param {any} order
   */
  hintAt(order) {
    if (this.found) return null;
    const { grips, width, zero, narrow, loop, pack } = this.place;
    const wide = this.wide("drag a head", 13) + 14;
    const end = narrow || loop ? width - 4 : width - 2 * pack - 14;
    if (grips.kind === "rows") return null;
    const last = order[order.length - 1];
    if (grips.middles[last] + grips.half + wide < end) return { head: last, side: 1 };
    const first = order[0];
    if (grips.middles[first] - grips.half - wide > zero + this.wide("record", 13)) return { head: first,
      side: -1 };
    return null;
  }

  /**
   * A head is taken in the hand, or let go.
   * @param {number} k
   * @param {boolean} held
   */
  hold(k, held) {
    this.dragged = held;
    this.found = true;
    this.pulling = false;
    this.handlers.onTouch(k);
    if (!held) {
      this.since = performance.now();
      this.goal = -1;
      this.fit();
    }
    this.dirty();
  }

  drawSend() {
    this.send.draw({
      db: this.setting.return_send_db,
      said: this.loop,
      place: this.place,
      hatch: `url(#${this.id}-hatch)`,
      wide: (/** @type {string} */ words) => this.wide(words, 13, 600),
    });
  }

  /** Move what rides on the tape and what turns; light the heads that play. */
  ride() {
    const { zero, scale, tape, thick, width } = this.place;
    const middle = tape + thick / 2;
    const shown = (width - zero) / scale;
    const left = zero / scale;
    const lap = this.trace.lapMm;
    if (this.stale) {
      this.stale = false;
      const view = { base: this.position, scale, tall: thick / 2 - 3,
        height: (/** @type {number} */ level) => tallness(level / this.loud) };
      this.paint(this.rides[0], { ...view, from: this.position - shown, to: this.position + 16 });
      if (lap) this.paint(this.rides[1],
        { ...view, from: this.position - lap - 16, to: this.position - lap + left });
      this.clipAt();
    }
    this.rides.slice(0, 2).forEach((ride, k) => {
      const x = zero + (this.position - ride.base) * scale - (k ? lap * scale : 0);
      ride.group.setAttribute("transform", `translate(${x.toFixed(2)} ${middle})`);
    });
    this.rideRound();
    turnThings(this);
    this.heads.forEach((grip, k) => this.light(grip, k));
  }

  /** What leaves around the bend of a closed loop can't ride: it changes its shape. */
  rideRound() {
    const { loop, zero, scale, thick } = this.place;
    if (!loop || !this.lap) return;
    const { right, radius, narrows } = this.lap;
    const [begin, end] = [(right - narrows - zero) / scale, (right + Math.PI * radius - zero) / scale];
    const straight = wayRound(this.lap.end);
    this.paint(this.rides[2], { base: this.position, scale, tall: thick / 2 - 3,
      height: (/** @type {number} */ level) => tallness(level / this.loud),
      from: this.position - end, to: this.position - begin,
      way: (/** @type {number} */ along, /** @type {number} */ below) => straight(zero + along, below) });
  }

  /** What may be seen: from the record head on, and what comes round up to where it is wiped. */
  clipAt() {
    const { zero, tape, thick, width, x, eraseMm, loop } = this.place;
    const wiped = this.facts.erases ? x(-eraseMm) : zero;
    const ends = this.lap && loop ? [this.lap.left + this.lap.narrows, this.lap.right - this.lap.narrows]
      : [0, this.place.narrow ? width : width - this.place.pack - 8]; // as the ribbon, in the pack's middle
    const boxes = [[this.clip, zero, ends[1]], [this.clipBefore, ends[0], Math.max(ends[0], wiped)]];
    for (const [rect, from, to] of boxes) {
      rect.setAttribute("x", String(from));
      rect.setAttribute("y", String(tape));
      rect.setAttribute("width", String(Math.max(0, to - from)));
      rect.setAttribute("height", String(thick));
    }
  }

  /** @param {any} ride @param {any} view */
  paint(ride, view) {
    const { dry, returned } = this.trace.outlines(view);
    ride.base = view.base;
    ride.dry.setAttribute("d", dry);
    returned.forEach((way, k) => ride.returned[k].setAttribute("d", way));
  }

  /**
   * A head glows while it plays; a ghost shows where it still plays while it is being moved.
   * @param {any} grip
   * @param {number} k
   */
  light(grip, k) {
    const heard = this.heard?.[k];
    const head = this.setting.heads[k];
    const mm = heard ? heard.spacing_mm : head.spacing_mm;
    const at = this.calm.matches ? this.there : this.position;
    const level = this.playing && head.on ? this.trace.level(at - mm) : 0;
    grip.glow(level > HEARD * this.loud ? Math.min(1, 0.2 + tallness(level / this.loud)) : 0);
    const off = heard && Math.abs(heard.spacing_mm - head.spacing_mm) > 0.3;
    grip.ghost(off ? this.place.x(heard.spacing_mm) : null, this.place);
  }

  destroy() {
    cancelAnimationFrame(this.frame);
    this.watch.disconnect();
    this.svg.remove();
  }
}
