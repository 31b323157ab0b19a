/** What of the scene stays where it is or turns: tape and reels, ruler and song, erase and record head. */

import { stepOf } from "./layout.mjs";
import { headShape } from "./grips.mjs";
import { figure, songMarks, speedWords } from "./telling.mjs";

const INCH_MM = 25.4;
const DRAWN_WIDE = "tape, drawn wide";
const PINCH = "pinch roller";
const DEGREES = 180 / Math.PI;

/**
 * Draw all of it anew.
 * @param {any} scene
 */
export function drawDeck(scene) {
  drawTape(scene);
  drawRuler(scene);
  drawMarks(scene);
  drawFixedHeads(scene);
  drawKey(scene);
}

/**
 * The ribbon, and what it comes from and goes to.
 * @param {any} scene
 */
function drawTape(scene) {
  const { width, tape, thick, pack, loop, narrow, right } = scene.place;
  const { back, tape: ribbon } = scene.layers;
  const low = tape + thick;
  if (loop) {
    drawLoop(scene);
  } else {
    const reach = Math.sqrt(Math.max(0, pack ** 2 - (pack - thick) ** 2));
    const ends = narrow ? [-14, width + 14] : [pack + 8, width - pack - 8];
    scene.packs = ends.map((x, k) => {
      const y = low - pack;
      back.put(`pack${k}`, "circle", { cx: x, cy: y, r: pack, class: "pack" });
      back.put(`ring${k}`, "circle", { cx: x, cy: y, r: 0.84 * pack, class: "ring" });
      back.put(`ring2${k}`, "circle", { cx: x, cy: y, r: 0.68 * pack, class: "ring" });
      return { x, y, hub: 0.5 * pack };
    });
    ribbon.put("ribbon", "rect", { x: ends[0], y: tape, width: ends[1] - ends[0], height: thick,
      class: "face" });
    ribbon.line("low", [ends[0], low, ends[1], low], "edge");
    ribbon.line("high", [ends[0] + reach, tape, ends[1] - reach, tape], "edge");
    if (narrow) fadeOut(scene, low);
    else {
      scene.layers.marks.put("leave", "rect", { x: ends[1] - reach, y: tape + 1, width: reach + 0.5,
        height: thick - 2, fill: `url(#${scene.id}-leave)` }); // what is recorded is wound onto the pack
      ["supply", "take-up"].forEach((name, k) => {
        scene.layers.words.text(name, ends[k], low + 20, name, "note context");
      });
      scene.layers.words.text("wide", width - 14, low + 42, DRAWN_WIDE, "note context", "end");
    }
  }
  const tip = right + (narrow ? 23 : 32);
  scene.layers.front.put("capstan", "circle", { cx: tip, cy: tape - 7, r: 7, class: "capstan" });
  scene.layers.front.put("roller", "circle",
    { cx: tip, cy: low + (narrow ? 12 : 18) + 0.8, r: narrow ? 12 : 18, class: "roller" });
  if (!narrow) scene.layers.words.text("capstan", tip, tape - 20, "capstan", "note context");
  scene.capstan = { x: tip, y: tape - 7 };
  drawSpeed(scene);
}

/**
 * Where reels find no room, they are faded out at both edges of the picture.
 * @param {any} scene
 * @param {number} low
 */
function fadeOut(scene, low) {
  const { width, pack } = scene.place;
  [0, 1].forEach((side) => {
    const turned = side ? ` translate(${width} 0) scale(-1 1)` : "";
    scene.layers.marks.put(`fade${side}`, "rect", {
      x: -1, y: low - 2 * pack - 4, width: 31, height: 2 * pack + 8, fill: `url(#${scene.id}-fade)`,
      transform: turned.trim(),
    });
  });
}

/**
 * A closed loop of tape: its way back runs below, shortened.
 * @param {any} scene
 */
function drawLoop(scene) {
  const { width, tape, thick, back, narrow } = scene.place;
  const [left, right] = [narrow ? 10 : 20, width - (narrow ? 10 : 20)];
  const middle = tape + thick / 2;
  const radius = (back - middle) / 2;
  const way =
    `M${left + radius} ${middle}H${right - radius}A${radius} ${radius} 0 0 1 ${right - radius} ${back}`
    + `H${left + radius}A${radius} ${radius} 0 0 1 ${left + radius} ${middle}`;
  scene.layers.back.put("lap", "path", { d: way, class: "lap-edge" });
  scene.layers.back.put("lap-face", "path", { d: way, class: "lap" });
  const x = [left + radius, right - radius];
  const thin = 7.2;
  const [low, bend] = [tape + thick, narrow ? 12 : 30];
  scene.layers.marks.put("bend", "path", { class: "lap", style: `stroke: url(#${scene.id}-bend)`,
    d: `M${x[1]} ${middle}A${radius} ${radius} 0 0 1 ${x[1]} ${back}` });
  const coming = { x: x[0] + bend, y: tape + 1, width: 36, height: thick - 2 };
  scene.layers.marks.put("come", "rect", { ...coming, fill: `url(#${scene.id}-leave)`,
    transform: `rotate(180 ${coming.x + coming.width / 2} ${middle})` });
  const half = (/** @type {number} */ sign, /** @type {number} */ edge) =>
    `M${x[0]} ${middle + sign * thin}Q${x[0] + bend / 2} ${middle + sign * thin} ${x[0] + bend} ${edge}`
    + `H${x[1] - bend}`
    + `Q${x[1] - bend / 2} ${middle + sign * thin} ${x[1]} ${middle + sign * thin}`;
  scene.layers.tape.put("ribbon", "path",
    { d: `${half(-1, tape)}V${middle}H${x[0]}Z${half(1, low)}V${middle}H${x[0]}Z`, class: "face" });
  scene.layers.tape.put("high", "path", { d: half(-1, tape), class: "edge" });
  scene.layers.tape.put("low", "path", { d: half(1, low), class: "edge" });
  scene.packs = [];
  scene.lap = { left: x[0], right: x[1], middle, back, radius, narrows: bend,
    end: { x: x[1], middle, radius, narrows: bend, thin: thin / (thick / 2) } };
  const metres = `${Number(scene.facts.loop_length_m.toPrecision(3))} m`;
  const seconds = figure(scene.facts.loop_length_m * 1000 / (scene.setting.speed_ips * INCH_MM), 1);
  scene.layers.words.text("lap", width / 2, back - 17, `the loop, ${metres}: once round in ${seconds} s`,
    "note context");
}

/**
 * What the colors on the tape mean: on it before the record head, or for want of room above the wires.
 * @param {any} scene
 */
function drawKey(scene) {
  const { zero, tape, thick, edge, loop, narrow, width, under, world } = scene.place;
  const parts = [["dry", "new sound"], ["pass1", "repeats"]].map(([look, words]) =>
    ({ look, words, wide: 14 + scene.wide(words, 12) }));
  const whole = parts.reduce((sum, part) => sum + part.wide, 10);
  let x = zero - 10 - whole;
  let middle = tape + thick / 2 + 2;
  if (narrow) [x, middle] = [loop ? (width - whole) / 2 : width - 10 - whole, under - 4];
  else if (loop || x < edge - 6) [x, middle] = [world, 22];
  for (const { look, words, wide } of parts) {
    scene.layers.words.put(`key-${look}`, "rect", { x, y: middle - 5, width: 10, height: 10, rx: 2,
      class: `key ${look}` });
    scene.layers.words.text(`key-words-${look}`, x + 14, middle + 4.5, words, "on-tape",
      "start");
    x += wide + 10;
  }
}

/**
 * Which way the tape runs, and how fast.
 * @param {any} scene
 */
function drawSpeed(scene) {
  const { ruler, names, under } = scene.place;
  const beside = speedWith(scene);
  const words = speedWords(scene.facts, scene.setting.speed_ips);
  const { words: pen } = scene.layers;
  const x = speedLeft(scene);
  const y = { key: under - 4, names: names - 18, ruler: ruler + 26 }[beside];
  const end = beside === "ruler" ? x + 64 : x + 30;
  pen.line("arrow", [x, y, end, y], "arrow-line");
  pen.put("arrow-tip", "path", { d: triangle(end + 9, y, 11, 8), class: "arrow-tip" });
  const at = { key: [end + 14, y + 4.5], names: [x, names], ruler: [x, y + 21] }[beside];
  pen.text("speed", at[0], at[1], words, "note", "start");
}

/**
 * Millimeters on the lower edge, time at the present speed on the upper one.
 * @param {any} scene
 */
function drawRuler(scene) {
  const { zero, end, ruler, rulerThick, spanMm, scale, narrow } = scene.place;
  const before = 7;
  scene.layers.marks.put("ruler", "rect", {
    x: zero - before, y: ruler + 3, width: end - zero + before + 7, height: rulerThick - 3, rx: 3,
    class: "ruler",
  });
  const low = ruler + rulerThick;
  const most = (end - zero) / (narrow ? 66 : 90);
  const mm = stepOf(spanMm, most);
  const fine = mm / (mm * scale > 90 ? 10 : 5);
  const perMs = (scene.setting.speed_ips * INCH_MM) / 1000;
  ticks(scene, { from: low, sense: -1, step: mm, each: Math.round(mm / fine), most: spanMm, mm: 1,
    unit: "mm", name: "distance" });
  const ms = stepOf(spanMm / perMs, most);
  ticks(scene, { from: ruler + 3, sense: 1, step: ms, each: 5, most: spanMm / perMs, mm: perMs, unit: "ms",
    name: "time" });
}

/**
 * Marks along one edge: so many fine ones for each with a number, beside the last one the unit.
 * @param {any} scene
 * @param {any} given
 */
function ticks(scene, { from, sense, step, each, most, mm, unit, name }) {
  const { x, end } = scene.place;
  let way = "";
  for (let k = 0; (k * step) / each <= most * (1 + 1e-9); k += 1) {
    way += `M${x(((k * step) / each) * mm).toFixed(1)} ${from}v${sense * (k % each === 0 ? 9 : 5)}`;
  }
  scene.layers.marks.put(`ticks-${unit}`, "path", { d: way, class: "tick" });
  const words = (/** @type {number} */ k) => figure(k * step, step < 1 ? 1 : 0);
  const beside = (/** @type {number} */ k) => x(k * step * mm) + scene.wide(words(k), 12) / 2 + 4;
  let last = Math.floor(most / step + 1e-9);
  while (last > 1 && beside(last) + scene.wide(unit, 12) > end + 7) last -= 1;
  const low = from + sense * 9 + (sense > 0 ? 11 : -3);
  for (let k = 0; k <= last; k += 1) {
    scene.layers.words.text(`${unit}${k}`, x(k * step * mm), low, words(k), "small digits");
  }
  scene.layers.words.text(`${unit}-unit`, beside(last), low, unit, "small", "start");
  scene.layers.words.text(`${unit}-name`, scene.place.zero - 13, low, name, "small context", "end");
}

/**
 * The song on the ruler: where a mark meets a head, its echo is in time.
 * @param {any} scene
 */
function drawMarks(scene) {
  const { x, end, tape, ruler, rulerThick, spanMm, names } = scene.place;
  /** @type {any[]} */
  const song = songMarks(scene.facts, scene.setting, spanMm, scene.said);
  const near = new Map();
  scene.said.forEach((/** @type {any} */ said, /** @type {number} */ k) => {
    if (said.inTime && scene.setting.heads[k].on) near.set(said.note, k);
  });
  const record = { place: -9, at: recordBelow(scene), half: scene.wide("record", 13) / 2 };
  const below = speedWith(scene) === "names";
  const speed = below ? speedWide(scene) : 0;
  const first = below ? speedLeft(scene) + speed + 10 : 4;
  const arrow = { place: -9, at: speedLeft(scene) + speed / 2, half: speed / 2 };
  const taken = [...(recordAt(scene) === "below" ? [record] : []), ...(below ? [arrow] : [])];
  const tight = (spanMm / Math.max(1, song.length)) * scene.place.scale < 22;
  const low = ruler + rulerThick + 6;
  song.forEach((mark) => {
    mark.lit = near.has(mark.name);
    mark.wanted = scene.said.some((/** @type {any} */ one) => one.note === mark.name);
  });
  [...song].sort((a, b) => b.lit - a.lit || b.wanted - a.wanted || a.weight - b.weight || a.mm - b.mm)
    .forEach((mark) => {
    if (tight && mark.weight === 3 && !mark.lit && !mark.wanted) return;
    const place = x(mark.mm);
    const key = `${mark.name || "mark"}${mark.mm.toFixed(3)}`;
    if (taken.some((one) => Math.abs(one.place - place) < 4)) return;
    const look = mark.lit ? "lit" : `weight${mark.weight}`;
    const high = mark.lit || mark.weight < 3 ? tape + 4 : tape + 12;
    scene.layers.marks.line(key, [place, high, place, ruler + 3], `mark ${look}`);
    scene.layers.marks.line(`${key}-foot`, [place, ruler + rulerThick, place, low], `foot ${look}`);
    if (mark.lit) scene.layers.marks.put(`${key}-lit`, "path",
      { d: `M${place} ${low - 7}l6.5 9h-13z`, class: "lit-tip" });
    const half = scene.wide(mark.name, 13, mark.lit ? 600 : 400) / 2;
    const away = Math.max(place, Math.min(first + half, place + half - 8));
    const at = Math.min(scene.place.width - half - 4, away);
    const free = taken.every((one) => !one.half || Math.abs(one.at - at) > one.half + half + 9);
    const shown = mark.name && free && place <= end;
    taken.push({ place, at, half: shown ? half : 0 });
    if (shown) scene.layers.words.text(`name${key}`, at, names, mark.name, mark.lit ? "note lit" : "note");
  });
  const free = taken.every((one) => !one.half
    || one.at + one.half + 9 < scene.capstan.x - scene.wide(PINCH, 13) / 2);
  if (!scene.place.narrow && free) scene.layers.words.text("pinch", scene.capstan.x, names, PINCH,
    "note context");
}

/**
 * Where the record head's name stands: on it, beside the wire into it, or below the ruler for want of room.
 * @param {any} scene
 */
function recordAt(scene) {
  if (scene.namesInside()) return "on";
  const { zero, x, grips, headMm, scale } = scene.place;
  const wide = scene.wide("record", 13);
  const nearest = Math.min(...scene.setting.heads.map((/** @type {any} */ head) => x(head.spacing_mm)),
    ...grips.middles);
  if (nearest - Math.max(12, (headMm * scale) / 2) > zero + 9 + wide) return "right";
  return Math.min(...grips.middles) < zero ? "below" : "left";
}

/**
 * Where its name stands below the ruler, beside that of the speed.
 * @param {any} scene
 */
function recordBelow(scene) {
  const { zero } = scene.place;
  const speed = speedWith(scene) === "names" ? speedLeft(scene) + speedWide(scene) : 0;
  return Math.max(zero, speed + 10 + scene.wide("record", 13) / 2);
}

/**
 * Beside what the speed of the tape stands: the ruler, or for want of room the names or the key below.
 * @param {any} scene
 */
function speedWith({ place }) {
  if (place.narrow) return place.loop ? "names" : "key";
  return place.zero - place.edge < 170 ? "names" : "ruler";
}

/** @param {any} scene */
function speedLeft({ place }) {
  return place.narrow ? (place.loop ? 34 : 10) : place.edge;
}

/** @param {any} scene */
function speedWide(scene) {
  return scene.wide(speedWords(scene.facts, scene.setting.speed_ips), 13);
}

/** @param {any} scene */
function eraseName(scene) {
  return scene.facts.erases ? "erase" : "no erase";
}

/**
 * Erase and record head: they stay where they are.
 * @param {any} scene
 */
function drawFixedHeads(scene) {
  const { x, eraseMm, tape, body, zero, names, narrow, loop, edge } = scene.place;
  const { front, words } = scene.layers;
  const half = (scene.place.headMm * scene.place.scale) / 2;
  const { erases } = scene.facts;
  fixedHead(front, "erase", x(-eraseMm), body, tape, half, erases ? "body" : "body off");
  fixedHead(front, "record", zero, body, tape, half, "body");
  const [erase, name, side] = [x(-eraseMm), eraseName(scene), recordAt(scene)];
  const wide = scene.wide(name, 13);
  const low = body - 5;
  if (side === "on") {
    words.text("erase", erase, body + 18, name, erases ? "note on-head" : "note");
    words.text("record", zero, body + 18, "record", "note on-head");
    return;
  }
  const limit = zero - 9 - (side === "left" ? scene.wide("record", 13) + 8 : 0);
  if (side !== "below" && limit - wide > (narrow || loop ? 4 : edge - 8)) {
    words.text("erase", Math.min(erase, limit - wide / 2), low, name, "note");
  }
  if (side === "below") words.text("record", recordBelow(scene), names, "record", "note context");
  else words.text("record", zero + (side === "right" ? 9 : -9), low, "record", "note",
    side === "right" ? "start" : "end");
}

/**
 * Turn what turns: at the speed of the tape over its radius.
 * @param {any} scene
 */
export function turnThings(scene) {
  const pen = scene.layers.front;
  const { pack } = scene.place;
  const turn = (scene.position / scene.facts.pack_radius_mm) * DEGREES;
  scene.packs.forEach((/** @type {any} */ one, /** @type {number} */ k) => {
    const spokes = [0, 120, 240].map((angle) => {
      const [x, y] = [pack * Math.cos(angle / DEGREES), pack * Math.sin(angle / DEGREES)];
      const from = `M${(0.18 * x).toFixed(1)} ${(0.18 * y).toFixed(1)}`;
      return `${from}L${(0.44 * x).toFixed(1)} ${(0.44 * y).toFixed(1)}`;
    }).join("");
    pen.put(`hub${k}`, "circle", { cx: one.x, cy: one.y, r: one.hub, class: "hub" });
    pen.put(`spokes${k}`, "path", { d: spokes, class: "spokes",
      transform: `translate(${one.x} ${one.y}) rotate(${(-turn).toFixed(2)})` });
  });
  const angle = -(scene.position / (scene.facts.capstan_mm / 2)) * DEGREES;
  pen.put("capstan-turn", "path", {
    d: "M0 0L5 0", class: "capstan-turn",
    transform: `translate(${scene.capstan.x} ${scene.capstan.y}) rotate(${angle.toFixed(1)})`,
  });
  if (scene.place.loop && scene.lap) splice(scene, pen);
}

/**
 * The splice of a closed loop goes round with the tape.
 * @param {any} scene
 * @param {any} pen
 */
function splice(scene, pen) {
  const { left, right, middle, back, radius } = scene.lap;
  const { scale, thick, zero } = scene.place;
  const lap = scene.trace.lapMm;
  const straight = (right - left) / scale;
  let along = (((scene.position + lap / 2 + (zero - left) / scale) % lap) + lap) % lap; // below at first
  if (along < straight) {
    pen.line("splice", [left + along * scale - 4, middle + thick / 2, left + along * scale + 4,
      middle - thick / 2], "splice");
    return;
  }
  along = (along - straight) / Math.max(1, lap - straight);
  const around = Math.PI * radius;
  const way = along * (2 * around + right - left);
  let [x, y] = [0, 0];
  if (way < around) {
    x = right + radius * Math.sin(way / radius);
    y = middle + radius - radius * Math.cos(way / radius);
  } else if (way < around + right - left) {
    x = right - (way - around);
    y = back;
  } else {
    const angle = (way - around - (right - left)) / radius;
    x = left - radius * Math.sin(angle);
    y = back - radius + radius * Math.cos(angle);
  }
  pen.line("splice", [x - 3, y + 6, x + 3, y - 6], "splice");
}

/**
 * A solid tip that points right.
 * @param {number} x
 * @param {number} y
 * @param {number} long
 * @param {number} wide
 */
function triangle(x, y, long, wide) {
  return `M${x} ${y}L${x - long} ${y - wide / 2}V${y + wide / 2}Z`;
}

/**
 * @param {any} pen @param {string} name @param {number} x
 * @param {number} top @param {number} tape @param {number} half @param {string} look
 */
function fixedHead(pen, name, x, top, tape, half, look) {
  pen.put(`${name}-body`, "path", { d: headShape(x, top, tape, half), class: look });
  pen.line(`${name}-gap`, [x, tape - 12, x, tape + 3.4], look === "body" ? "gap" : "gap off");
}
