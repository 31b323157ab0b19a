/** What a hand takes hold of: heads along the ruler, and the return send on its wire. Each is a slider. */

import { Pen, svgNode } from "./pen.mjs";
import { figure, levelWords } from "./telling.mjs";

export const STEP_MM = 0.1;
const FAR_MM = 1;
const STEP_DB = 0.5;
const FAR_DB = 3;
/** What the sliders of sends and levels reach; a file may go beyond. */
export const SEND_LOW_DB = -40;
export const SEND_HIGH_DB = 12;
/** A send that is turned all the way down. */
const NO_SEND_DB = -90;
const GRIP_TALL = 44;

/**
 * How far a key moves, in steps; null if it moves nothing.
 * @param {any} event
 */
function stepsOf(event) {
  /** @type {Record<string, number>} */
  const steps = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 };
  return steps[event.key] ?? null;
}

/**
 * Follow one pointer from press to release.
 * @param {any} group
 * @param {any} given
 */
function follow(group, { down, move, up }) {
  /** @type {number | null} */
  let held = null;
  group.addEventListener("pointerdown", (/** @type {any} */ event) => {
    if (event.button > 0 || held !== null) return;
    held = event.pointerId;
    group.setPointerCapture(held);
    group.focus();
    event.preventDefault();
    down(event);
  });
  group.addEventListener("pointermove", (/** @type {any} */ event) => {
    if (event.pointerId === held) move(event);
  });
  const end = (/** @type {any} */ event) => {
    if (event.pointerId !== held) return;
    held = null;
    up(event);
  };
  group.addEventListener("pointerup", end);
  group.addEventListener("pointercancel", end);
}

/** One playback head: its grip, its body on the tape, and what is said of it. */
export class Grip {
  /**
   * @param {number} index
   * @param {any} way how places become mm, and whom to tell
   */
  constructor(index, way) {
    this.index = index;
    this.way = way;
    this.group = svgNode("g", { class: "head", role: "slider", tabindex: 0,
      "aria-label": `Head ${index + 1}` });
    this.pen = new Pen(this.group);
    this.pulled = 0; // how far from the record head the pointer holds it, pixels
    this.offset = 0;
    this.pointer = 0;
    this.x = 0;
    this.zero = 0;
    this.labelTop = 0;
    this.glowing = "";
    this.ghosted = "";
    follow(this.group, {
      down: (/** @type {any} */ event) => {
        this.offset = this.at(event) - this.x;
        this.pulled = 0;
        way.held(index, true);
      },
      move: (/** @type {any} */ event) => {
        this.pointer = this.at(event) - this.offset;
        this.pulled = this.pointer - this.zero;
        this.go(Math.min(way.mmAt(this.pointer), way.shown()), false);
      },
      up: () => {
        way.held(index, false);
        this.go(way.now(index), true);
      },
    });
    this.group.addEventListener("keydown", (event) => this.key(event));
    this.group.addEventListener("focus", () => way.touched(index));
  }

  /** @param {any} event */
  at(event) {
    return event.clientX - this.way.scaleOf().left;
  }

  /** Go on where the pointer is while more of the tape comes into the picture. */
  follow() {
    this.go(Math.min(this.way.mmAt(this.pointer), this.way.shown()), false);
  }

  /** @param {number} mm @param {boolean} done */
  go(mm, done) {
    const { least, most } = this.way;
    const to = Math.min(most, Math.max(least, Math.round(mm / STEP_MM) * STEP_MM));
    this.way.moved(this.index, Number(to.toFixed(3)), done);
  }

  /** @param {any} event */
  key(event) {
    const steps = stepsOf(event);
    const now = this.way.now(this.index);
    if (steps !== null) this.go(now + steps * (event.shiftKey ? FAR_MM : STEP_MM), true);
    else if (event.key === "Home") this.go(this.way.least, true);
    else if (event.key === "End") this.go(this.way.most, true);
    else if (event.key === "PageUp") this.go(now + FAR_MM, true);
    else if (event.key === "PageDown") this.go(now - FAR_MM, true);
    else return;
    event.preventDefault();
  }

  /** @param {any} given */
  draw({ head, said, place, touched, named, hint, wide }) {
    const { grips, tape, body, headMm, scale } = place;
    const x = place.x(head.spacing_mm);
    const grip = grips.middles[this.index];
    const top = grips.row[this.index] ? place.lower : place.handle;
    const half = (headMm * scale) / 2;
    this.x = x;
    this.zero = place.zero;
    this.say(head, said);
    this.group.setAttribute("class",
      `head${touched ? " touched" : ""}${head.on ? "" : " off"}`);
    const { pen } = this;
    pen.begin();
    pen.put("ghost", "path", { d: "M0 0", class: "ghost" });
    pen.put("body", "path", { d: headShape(x, body, tape, half), class: "body" });
    pen.put("glow", "path", { d: headShape(x, body, tape, half), class: "glow" });
    pen.put("grip", "rect", { x: grip - grips.half, y: top, width: 2 * grips.half, height: GRIP_TALL, rx: 9,
      class: "grip" });
    pen.put("ring", "rect", { x: grip - grips.half - 4, y: top - 4, width: 2 * grips.half + 8,
      height: GRIP_TALL + 8, rx: 12, class: "ring" });
    const reach = grips.half - 6;
    const y = top + GRIP_TALL / 2;
    pen.put("left", "path", { d: `M${grip - reach} ${y}l8 -6v12z`, class: "tip" });
    pen.put("right", "path", { d: `M${grip + reach} ${y}l-8 -6v12z`, class: "tip" });
    pen.text("number", grip, y + 5.5, String(this.index + 1), "number");
    if (named === "on") pen.text("name", x, body + 18, "playback", "name on-head");
    if (named === "right") pen.text("name", x + 9, body - 5, "playback", "name", "start");
    if (named === "left") pen.text("name", x - 9, body - 5, "playback", "name", "end");
    this.label(pen, { said, head, place, grip, top, wide });
    if (hint) {
      const side = hint.side;
      pen.text("hint", grip + side * (grips.half + 9), y + 5, "drag a head", "hint",
        side > 0 ? "start" : "end");
    }
    pen.end();
  }

  /**
   * Delay, note and how far off it is, over the grip.
   * @param {any} pen
   * @param {any} given
   */
  label(pen, { said, head, place, grip, top, wide }) {
    const full = place.grips.kind === "full";
    const off = place.grips.tight && said.inTime ? "in time" : said.off;
    const checked = said.inTime && head.on;
    this.labelTop = top - (full ? 58 : checked ? 37 : 25);
    if (full) {
      pen.text("time", grip, top - 43, said.time, "time");
      pen.text("note", grip, top - 26, head.on ? said.note : "off", "note");
      pen.text("off", grip + (checked ? 7 : 0), top - 10, head.on ? off : "",
        said.inTime ? "note in-time" : "note");
    } else {
      pen.text("time", grip, top - 9, said.time, "time short");
    }
    if (!checked) return;
    const half = wide(off) / 2;
    const [x, y] = full ? [grip - half - 7, top - 14] : [grip - 4.5, top - 28];
    pen.line("check", [x, y, x + 3.5, y + 4, x + 9, y - 5], "checked");
  }

  /** @param {any} head @param {any} said */
  say(head, said) {
    const { group, way } = this;
    const whole = { "aria-valuenow": head.spacing_mm.toFixed(1), "aria-valuemin": String(way.least),
      "aria-valuemax": String(way.most), "aria-valuetext": said.whole };
    for (const [name, value] of Object.entries(whole)) {
      if (group.getAttribute(name) !== value) group.setAttribute(name, value);
    }
  }

  /** @param {number} share how loud it plays, 0 to 1 */
  glow(share) {
    const said = share.toFixed(2);
    if (said === this.glowing) return;
    this.glowing = said;
    this.pen.node("glow").style.opacity = said;
  }

  /**
   * @param {number | null} x where it is still heard
   * @param {any} place
   */
  ghost(x, place) {
    const node = this.pen.node("ghost");
    const way = x === null ? "M0 0" : headShape(x, place.body, place.tape, (place.headMm * place.scale) / 2);
    if (way === this.ghosted) return;
    this.ghosted = way;
    node.setAttribute("d", way);
  }
}

/**
 * A head's outline: square on top, pressed into the tape below.
 * @param {number} x
 * @param {number} top
 * @param {number} tape
 * @param {number} half
 */
export function headShape(x, top, tape, half) {
  const h = Math.max(3, half);
  return `M${x - h} ${top + 4}q0 -4 4 -4H${x + h - 4}q4 0 4 4V${tape}Q${x} ${tape + 7} ${x - h} ${tape}Z`;
}

/** The return send: a slider on the wire that leads from the playback heads back to the record head. */
export class SendSlider {
  /**
   * @param {(db: number, done: boolean) => void} moved
   * @param {() => number} now
   */
  constructor(moved, now) {
    this.moved = moved;
    this.now = now;
    /** @type {any} */
    this.place = null;
    this.group = svgNode("g", { class: "send", role: "slider", tabindex: 0, "aria-label": "Return send" });
    this.group.setAttribute("aria-valuemin", String(NO_SEND_DB));
    this.group.setAttribute("aria-valuemax", String(SEND_HIGH_DB));
    this.pen = new Pen(this.group);
    const at = (/** @type {any} */ event) => {
      const scene = /** @type {SVGElement} */ (this.group.ownerSVGElement);
      return this.dbAt(event.clientX - scene.getBoundingClientRect().left);
    };
    follow(this.group, {
      down: (/** @type {any} */ event) => this.go(at(event), false),
      move: (/** @type {any} */ event) => this.go(at(event), false),
      up: () => this.go(this.now(), true),
    });
    this.group.addEventListener("keydown", (event) => this.key(event));
  }

  /** @param {number} x */
  dbAt(x) {
    const { low, high } = this.place.send;
    const db = SEND_LOW_DB + ((x - low) / (high - low)) * (SEND_HIGH_DB - SEND_LOW_DB);
    return db <= SEND_LOW_DB - 0.5 ? NO_SEND_DB : Math.max(SEND_LOW_DB, db);
  }

  /** @param {number} db */
  xAt(db) {
    const { low, high } = this.place.send;
    const share = (db - SEND_LOW_DB) / (SEND_HIGH_DB - SEND_LOW_DB);
    return low + (high - low) * Math.min(1, Math.max(0, share));
  }

  /** @param {number} db @param {boolean} done */
  go(db, done) {
    const to = Math.min(SEND_HIGH_DB, Math.max(NO_SEND_DB, Math.round(db * 10) / 10));
    this.moved(to < SEND_LOW_DB ? NO_SEND_DB : to, done);
  }

  /** @param {any} event */
  key(event) {
    const steps = stepsOf(event);
    const db = this.now();
    const from = Math.max(db, SEND_LOW_DB);
    if (steps !== null) {
      const to = from + steps * (event.shiftKey ? FAR_DB : STEP_DB);
      this.go(db < SEND_LOW_DB && steps > 0 ? SEND_LOW_DB : to, true);
    } else if (event.key === "Home") this.go(NO_SEND_DB, true);
    else if (event.key === "End") this.go(SEND_HIGH_DB, true);
    else if (event.key === "PageUp") this.go(from + FAR_DB, true);
    else if (event.key === "PageDown") this.go(from - FAR_DB, true);
    else return;
    event.preventDefault();
  }

  /** @param {any} given */
  draw({ db, said, place, hatch, wide }) {
    this.place = place;
    const { pen, group } = this;
    const { low, high, left, right } = place.send;
    const y = place.bus;
    const level = db < SEND_LOW_DB ? "nothing" : levelWords(db);
    group.setAttribute("aria-valuenow", db.toFixed(1));
    group.setAttribute("aria-valuetext", `${level}, ${said.words}`);
    group.setAttribute("class", `send ${said.state}`);
    pen.begin();
    pen.put("target", "rect", { x: left, y: y - 22, width: right - left, height: 44, class: "target" });
    pen.put("frame", "rect", { x: left, y: y - 17, width: right - left, height: 34, rx: 6, class: "frame" });
    pen.line("track", [low, y, high, y], "track");
    pen.line("part", [low, y, this.xAt(db), y], "part");
    if (said.limitDb < SEND_HIGH_DB && said.limitDb > SEND_LOW_DB) {
      const x = this.xAt(said.limitDb);
      pen.put("danger", "rect", { x, y: y - 9, width: high - x, height: 18, class: "danger", fill: hatch });
      pen.line("limit", [x, y - 17, x, y + 17], "limit");
    }
    this.scale(said, wide);
    const x = this.xAt(db);
    pen.put("ring", "circle", { cx: x, cy: y, r: 17, class: "ring" });
    pen.put("thumb", "circle", { cx: x, cy: y, r: 12.5, class: "thumb" });
    pen.put("left", "path", { d: `M${x - 9} ${y}l6 -4.5v9z`, class: "tip" });
    pen.put("right", "path", { d: `M${x + 9} ${y}l-6 -4.5v9z`, class: "tip" });
    const name = `return send ${level}`;
    const shown = place.narrow || wide(said.words) + wide(name) + 20 > right - left ? said.short : said.words;
    pen.text("name", left, y - (place.narrow ? 42 : 26), name, "note echo-words", "start");
    const look = `note margin-words ${said.state}`;
    const near = !place.narrow || said.state === "may" || said.state === "runs";
    if (near) pen.text("margin", right, y - 26, shown, look, "end");
    else pen.text("margin", left, y - 25, shown, look, "start");
    pen.end();
  }

  /**
   * The ends of its scale, below it; and from where on it may run away, unless that is said above.
   * @param {any} said
   * @param {(words: string) => number} wide
   */
  scale(said, wide) {
    const { low, high } = this.place.send;
    const y = this.place.bus + 30;
    const [limit, words] = [this.xAt(said.limitDb), "may run away"];
    const free = limit > low + 20 && limit + wide(words) < high - 30;
    if (free && (said.state === "safe" || said.state === "near")) {
      this.pen.text("may", limit, y, words, "small", "start");
    }
    this.pen.text("least", low, y, figure(SEND_LOW_DB), "small");
    this.pen.text("most", high, y, `+${figure(SEND_HIGH_DB)} dB`, "small");
  }
}
