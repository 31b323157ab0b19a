// Levels: where a chain clips or drowns in hiss, and what a patch makes of a fader.

import { amplitudeToDb, dbToAmplitude, growthDbPerS, repeatsHeard } from "../live/formulas.mjs";
import { fixedText } from "../live/words.mjs";
import { choice, slider } from "./control.mjs";
import { dbuToVolts, leakRiseDb, levelNodes, padDb, patchGains } from "./staging.mjs";
import { signedText } from "./timing.mjs";

const TAPE_STAGE = 3;
const WANTED_HEADROOM_DB = 12; // above the voice as it peaks in rehearsal; the night is louder
const LEVELS_SEEN_DBU = [-110, 70];
const ASIDE_DB = 6; // words stand so far from lines
const REPEATS_SEEN_S = 5;
const REPEATS_SEEN_DB = [-60, 20];
const FADED_DB = -30;
const LEAST_GAIN = 1e-6; // a pan may be turned away

/**
 * @typedef {import("./chart.mjs").Picture} Picture
 * @typedef {import("./control.mjs").Found} Found
 * @typedef {import("./control.mjs").PanelDefinition} PanelDefinition
 * @typedef {import("./staging.mjs").LevelStage} LevelStage
 * @typedef {import("./staging.mjs").LevelNode} LevelNode
 * @typedef {{instrument_dbu: number, mixer_gain_db: number, input_send_db: number, lift_db: number,
 *   stages: Record<string, LevelStage[]>, patches: Record<string, string>, delay: number}} PatchingFacts
 *   the treble meets the limit of the tape so much earlier
 * @typedef {{nodes: LevelNode[], most: number[], trebleDbu: number, first: number}} StagingFound
 */

/**
 * Signal, clipping level and noise at each stage of the bench deck's chain.
 * @param {PatchingFacts} facts `FACTS` of tapecalc/course/patching.py
 * @returns {PanelDefinition}
 */
export function stagingPanel(facts) {
  const references = Object.keys(facts.stages);
  const [voice, gain, send] = [[-50, 4, "dBu"], [-20, 50, "dB"], [-30, 6, "dB"]].map(
    ([low, high, unit]) => ({ low: Number(low), high: Number(high), step: 1, unit: `${unit}` }));
  return {
    name: "gain_staging",
    question: "A quiet voice comes at -40 dBu: which gain keeps 12 dB free and the noise lowest?",
    legend: "Squares: where the stage clips, or the tape distorts by 3 %; cross: where the tape does so at "
      + "10 kHz. Thick piece: the smallest headroom.",
    alt: "Chart of level in dBu over the six stages from mixer input to return send: the signal runs between "
      + "the level at which each stage clips and the noise, which jumps up at the tape.",
    controls: [
      slider("instrument_dbu", "voice, at its loudest", facts.instrument_dbu, voice),
      slider("mixer_gain_db", "gain of channel 1", facts.mixer_gain_db, gain),
      slider("input_send_db", "input send", facts.input_send_db, send),
      choice("reference", "machine made for", references, references[0]),
    ],
    reckon: (values) => reckonStaging(facts, values),
    draw: drawStaging,
  };
}

/**
 * @param {PatchingFacts} facts @param {any} values
 * @returns {Found}
 */
function reckonStaging(facts, { instrument_dbu, mixer_gain_db, input_send_db, reference }) {
  const set = [mixer_gain_db, input_send_db];
  const stages = facts.stages[reference].map((stage, n) => ({ ...stage, gain_db: set[n] ?? stage.gain_db }));
  const nodes = levelNodes(stages, instrument_dbu);
  const rooms = nodes.map(({ headroomDb }) => headroomDb);
  const [room, tape, last] = [Math.min(...rooms), nodes[TAPE_STAGE], nodes[nodes.length - 1]];
  const first = rooms.indexOf(room);
  const does = first === TAPE_STAGE ? "distorts" : "clips"; // a tape gives way, ever more
  const state = room < 0 ? `now, ${fixedText(-room, 1)} dB too loud`
    : `first: ${fixedText(room, 1)} dB of headroom`;
  const aboveNoise = fixedText(tape.dbu - Number(tape.noiseDbu), 1);
  return {
    sentence: `The ${nodes[first].name} ${does} ${state}, ${aboveNoise} dB above the noise on tape.`,
    rows: [
      [`pad that leaves ${WANTED_HEADROOM_DB} dB`, `${fixedText(padDb(0, room, WANTED_HEADROOM_DB), 1)} dB`],
      ["level on tape", `${signedText(tape.dbu, 1)} dBu`],
      ["headroom of the tape at 10 kHz", `${fixedText(tape.headroomDb - facts.lift_db, 1)} dB`],
      ["at the return send", `${fixedText(1000 * dbuToVolts(last.dbu), 0)} mV`],
    ],
    nodes, first,
    most: stages.map(({ max_dbu }) => max_dbu),
    trebleDbu: stages[TAPE_STAGE].max_dbu - facts.lift_db,
  };
}

/**
 * The signal goes to the right, or down a narrow picture, where the names of the stages have room.
 * @param {Picture} picture @param {StagingFound} found
 */
function drawStaging(picture, { nodes, most, trebleDbu, first }) {
  const down = picture.narrow;
  const last = nodes.length - 0.6;
  const level = { name: "level (dBu)", low: LEVELS_SEEN_DBU[0], high: LEVELS_SEEN_DBU[1] };
  const way = { ticks: nodes.map((_, n) => n), words: nodes.map(({ name }) => name), grid: false };
  const axes = picture.axes(down ? { x: level, y: { ...way, low: last, high: -0.6 } }
    : { x: { ...way, low: -0.4, high: last }, y: level });
  const draw = (/** @type {number} */ from, /** @type {number[]} */ dbu, /** @type {string} */ role,
    /** @type {string} */ how, /** @type {"dot" | "square" | "triangle" | "cross"} */ mark) => {
    const places = dbu.map((_, n) => from + n);
    const [xs, ys] = down ? [dbu, places] : [places, dbu];
    axes.line(xs, ys, `${role} ${how}`);
    axes.marks(xs, ys, mark, role);
  };
  const label = (/** @type {number} */ place, /** @type {number} */ dbu, /** @type {string} */ words,
    /** @type {string} */ role, /** @type {"above" | "below" | "left" | "right"} */ side) =>
    (down ? axes.label(dbu, place, words, role, side) : axes.label(place, dbu, words, role, side));
  const [signal, noise] = [nodes.map(({ dbu }) => dbu), nodes.map(({ noiseDbu }) => noiseDbu ?? NaN)];
  draw(0, most, "limit", "dashdots", "square");
  draw(0, noise, "context", "dots", "triangle");
  draw(0, signal.slice(0, TAPE_STAGE + 1), "dry", "thick", "dot");
  draw(TAPE_STAGE, signal.slice(TAPE_STAGE), "echo", "thick", "dot");
  draw(TAPE_STAGE, [trebleDbu], "limit", "", "cross");
  const ends = [signal[first], most[first]];
  if (down) axes.line(ends, [first, first], "limit thick");
  else axes.line([first, first], ends, "limit thick");
  const room = most[first] - signal[first];
  const size = `${fixedText(Math.abs(room), 0)} dB`;
  const words = `${size} ${room < 0 ? "too loud" : "free"}`;
  if (!down) label(first, Math.max(...ends) + ASIDE_DB, words, "limit", "above");
  else if (room < 0) label(first, Math.min(...ends) - 2 * ASIDE_DB, `-${size}`, "limit", "left");
  else label(first, LEVELS_SEEN_DBU[1], size, "limit", "left");
  label(first === 0 ? 1 : 0, most[0], "limit", "limit", "above");
  label(0, noise[0], "noise", "context", "above");
  label(1, signal[1], "signal", "dry", down ? "left" : "below");
}

/**
 * The repeats as they are heard, for three patches and a leak beside the tape.
 * @param {PatchingFacts} facts `FACTS` of tapecalc/course/patching.py
 * @returns {PanelDefinition}
 */
export function patchPanel(facts) {
  const patches = Object.keys(facts.patches);
  const fader = { low: -20, high: 6, step: 0.5, unit: "dB" };
  const pan = { low: 0, high: 100, step: 1, unit: "%" };
  return {
    name: "three_patches",
    question: "In which patches can the first repeat be as loud as the voice and the rest still fade?",
    legend: "Dots: the voice at 0 dB, and its repeats as the room hears them.",
    alt: "Chart of level in dB over time in s: a dot at 0 dB for the voice, then one dot for each repeat; "
      + "they fall in a straight line while the loop has a margin and climb once it has none.",
    controls: [
      choice("patch", "patch", patches, patches[0]),
      slider("fader_db", "fader of channel 2", -3, fader),
      slider("return_send_db", "return send (patch with sends)", -6, fader),
      slider("pan_percent", "pan of channel 2 (pan as a send)", 25, pan),
      slider("leak_db", "leak beside the tape", -40, { low: -60, high: -6, step: 1, unit: "dB" }),
    ],
    reckon: (values) => reckonPatch(facts, values),
    draw: drawPatch,
  };
}

/**
 * @param {PatchingFacts} facts @param {any} values
 * @returns {Found}
 */
function reckonPatch({ patches, delay }, { patch, fader_db, return_send_db, pan_percent, leak_db }) {
  const [fader, send] = [fader_db, return_send_db].map(dbToAmplitude);
  const gains = patchGains(patches[patch], fader, send, pan_percent / 100);
  const [heardDb, backDb] = gains.map((gain) => amplitudeToDb(Math.max(gain, LEAST_GAIN)));
  const upDb = leakRiseDb(leak_db);
  const roundDb = backDb + upDb;
  const margin = roundDb < 0 ? `${fixedText(-roundDb, 1)} dB of margin` : "no margin, it howls";
  const times = Array.from({ length: Math.floor(REPEATS_SEEN_S / delay) }, (_, n) => (n + 1) * delay);
  return {
    sentence: `The first repeat is heard at ${fixedText(heardDb, 1)} dB, once round is `
      + `${signedText(roundDb, 1)} dB: ${margin}.`,
    rows: [
      ["a leak adds to the loop", `${fixedText(upDb, 2)} dB`],
      roundDb < 0
        ? [`repeats heard down to ${-FADED_DB} dB`, fixedText(repeatsHeard(roundDb, FADED_DB), 0)]
        : ["grows each second by", `${fixedText(growthDbPerS(delay, roundDb), 1)} dB`],
    ],
    times, levels: times.map((_, n) => heardDb + n * roundDb), howls: roundDb >= 0,
  };
}

/**
 * @param {Picture} picture @param {{times: number[], levels: number[], howls: boolean}} found
 */
function drawPatch(picture, { times, levels, howls }) {
  const [low, high] = REPEATS_SEEN_DB;
  const axes = picture.axes({
    x: { name: "time (s)", low: -0.1, high: REPEATS_SEEN_S },
    y: { name: "level heard (dB, voice is 0)", low, high },
  });
  axes.rule({ y: 0 }, "dry dashed thin");
  axes.label(REPEATS_SEEN_S, 0, "as loud as the voice", "dry", howls ? "below" : "above");
  axes.line(times, levels, howls ? "limit thin dashed" : "echo thin");
  axes.marks(times, levels, "dot", "echo");
  axes.marks([0], [0], "dot", "dry");
  if (howls) axes.label(REPEATS_SEEN_S, high, "louder each time: it howls", "limit", "below");
}
