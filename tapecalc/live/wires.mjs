/** The wires of the scene: from the sound and the heads back to the tape, and to what is heard. */

import { headsOn } from "./telling.mjs";

const HEARD_WORDS = "what you hear";
const OUTSIDE_WORDS = "not in the return";
const OUTSIDE_SHORT = "not returned";
const IN_WORDS = "sound in";

/**
 * Draw all wires anew.
 * @param {any} scene
 */
export function drawWires(scene) {
  drawIn(scene);
  drawReturn(scene);
  drawHeard(scene);
}

/**
 * The sound that comes in, down to the record head.
 * @param {any} scene
 */
function drawIn(scene) {
  const { place, setting } = scene;
  const { wires, words } = scene.layers;
  const { zero, sum, body, world, grips, narrow } = place;
  const { fed } = headsOn(setting);
  const rows = grips.kind === "rows";
  const from = rows ? 3 : world;
  wires.line("dry", [from, sum, zero, sum], "wire dry");
  const tip = rows ? world + 22 : world + 10;
  wires.put("dry-tip", "path", { d: `M${tip + 6} ${sum}l-10 -5v10z`, class: "dry-tip" });
  words.text("in", from, sum + (rows || !narrow ? -9 : 19), IN_WORDS, "note dry-words", "start");
  wires.line("into", [zero, sum, zero, body - 2], fed.length ? "wire echo" : "wire dry");
  wires.put("tip", "path", { d: `M${zero} ${body}l-5 -10h10z`, class: fed.length ? "echo-tip" : "dry-tip" });
}

/**
 * From the heads in the return over the send to the record head.
 * @param {any} scene
 */
function drawReturn(scene) {
  const { place, setting } = scene;
  const { wires } = scene.layers;
  const { zero, bus, collector, out, sum, grips, send } = place;
  const { fed, outside } = headsOn(setting);
  const back = wires.line("back", [send.left, bus, zero, bus, ...(sum === bus ? [] : [zero, sum])],
    `wire echo${fed.length ? "" : " off"}`);
  back.style.strokeWidth = `${returnStrength(setting.return_send_db)}px`;
  wires.put("dot", "circle", { cx: zero, cy: sum, r: 4.5, class: "dot" });
  for (const k of outside) openEnd(scene, k);
  if (!fed.length) return;
  const xs = [...fed.map((/** @type {number} */ k) => grips.middles[k]), send.corner];
  const [low, high] = [Math.min(...xs), Math.max(...xs)];
  if (low < zero) wires.line("bridge", [zero - 6, collector, zero + 6, collector], "bridge");
  wires.line("collector", [low, collector, high, collector], "wire echo");
  wires.line("rise", [send.corner, collector, send.corner, bus, send.right + 8, bus], "wire echo");
  wires.put("rise-tip", "path", { d: `M${send.right} ${bus}l10 -5v10z`, class: "echo-tip" });
  for (const k of fed) {
    const x = grips.middles[k];
    wires.line(`return${k}`, [x, out, x, collector], "wire echo");
    wires.put(`return-dot${k}`, "circle", { cx: x, cy: collector, r: 3.5, class: "dot echo" });
  }
}

/**
 * Where a head's way to the return ends open.
 * @param {any} scene
 * @param {number} k
 */
function openEnd(scene, k) {
  const { out, grips, width } = scene.place;
  const { wires, words } = scene.layers;
  const x = grips.middles[k];
  const top = out - 18;
  wires.line(`open${k}`, [x, out, x, top + 3.5], "wire off");
  wires.put(`open-end${k}`, "circle", { cx: x, cy: top, r: 3.5, class: "open-end" });
  const others = grips.middles.filter((/** @type {number} */ _, /** @type {number} */ n) => n !== k);
  const tries = /** @type {[string, number][]} */ (
    [[OUTSIDE_WORDS, 1], [OUTSIDE_WORDS, -1], [OUTSIDE_SHORT, 1]]);
  for (const [said, side] of tries) {
    const ends = [x + side * 9, x + side * (9 + scene.wide(said, 13))];
    const [low, high] = [Math.min(...ends), Math.max(...ends)];
    const free = others.every((/** @type {number} */ at) => at < low - 5 || at > high + 5);
    if (!free || low < scene.place.zero + 8 || high > width - 6) continue;
    words.text(`open-words${k}`, ends[0], out - 9, said, "note context", side > 0 ? "start" : "end");
    return;
  }
}

/**
 * From each head that is on, and from the dry sound, to what is heard.
 * @param {any} scene
 */
function drawHeard(scene) {
  const { place, setting, heads } = scene;
  const { wires } = scene.layers;
  const { zero, out, sum, grips, world, narrow } = place;
  const { on } = headsOn(setting);
  const rows = grips.kind === "rows";
  const end = rows ? world : world + 22;
  const tap = rows ? world : world + (narrow ? 46 : scene.wide(IN_WORDS, 13) + 16);
  const speaker = place.sum + 30; // its middle, where heads stand in rows
  const far = Math.max(...on.map((/** @type {number} */ k) => grips.middles[k]),
    setting.dry && !rows ? tap : end);
  if (far > zero) wires.line("bridge-heard", [zero - 6, out, zero + 6, out], "bridge");
  const top = speaker + 20;
  if (far > end || setting.dry) {
    wires.line("heard", [far, out, end, out, ...(rows ? [end, top] : [])], "wire heard");
    const tip = rows ? `M${end} ${top - 8}l-4.5 9h9z` : `M${end - 8} ${out}l9 -4.5v9z`;
    wires.put("heard-tip", "path", { d: tip, class: "heard-tip" });
  }
  if (setting.dry) {
    const [low, sense] = rows ? [speaker - 11, 1] : [out + 3 * Math.sign(sum - out), Math.sign(out - sum)];
    wires.line("dry-heard", [tap, sum, tap, low - 8 * sense], "wire dry thin");
    wires.put("dry-heard-tip", "path", { d: `M${tap} ${low}l-4.5 ${-9 * sense}h9z`, class: "dry-tip" });
    wires.put("dry-dot", "circle", { cx: tap, cy: sum, r: 3, class: "dot dry" });
    if (!rows) wires.put("dry-joins", "circle", { cx: tap, cy: out, r: 3, class: "dot heard" });
  }
  for (const k of on) {
    const x = grips.middles[k];
    wires.line(`head${k}`, [x, heads[k].labelTop, x, out],
      setting.heads[k].feeds_return ? "wire echo" : "wire outside");
    wires.put(`heard-dot${k}`, "circle", { cx: x, cy: out, r: 3, class: "dot heard" });
  }
  drawSpeaker(scene, rows ? [world - 7, speaker] : [world, out]);
}

/**
 * A loudspeaker's outline, and what it means.
 * @param {any} scene
 * @param {number[]} at
 */
function drawSpeaker(scene, [x, y]) {
  const { wires, words } = scene.layers;
  const { grips, zero } = scene.place;
  const rows = grips.kind === "rows";
  const left = rows ? x + 19 : x;
  const fits = left + scene.wide(HEARD_WORDS, 13) < zero - 6;
  const lines = fits ? [HEARD_WORDS] : [HEARD_WORDS.slice(0, 4), HEARD_WORDS.slice(5)];
  const low = rows ? y + (fits ? 5 : 12) : y - 17;
  wires.put("speaker", "path", { d: `M${x} ${y - 9}v18l7 -5h5v-8h-5z`, class: "speaker" });
  lines.forEach((line, n) => {
    words.text(`heard${n}`, left, low - 15 * (lines.length - 1 - n), line, "note", "start");
  });
}

/**
 * How thick the wire of the return is: the more, the more goes back.
 * @param {number} db
 */
function returnStrength(db) {
  return Math.min(6, Math.max(1, 3.6 * 10 ** (db / 40)));
}
