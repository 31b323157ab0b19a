// How well a delay fits a note, and where its repeats fall.

import { delayFromSpacing, delayFromTempo, fitNote, nearestFit } from "../live/formulas.mjs";
import { speedFromIps, timingThreshold } from "../live/formulas.mjs";
import { fixedText, generalText, mmText, msText, withArticle } from "../live/words.mjs";
import { SEMITONE, choice, slider } from "./control.mjs";
import { heardSound, pluckedNote, steadyHiss } from "./hearing.mjs";
import { exactChanges, gridOffset, repeatsInTime, signedText } from "./timing.mjs";

const TEMPO_RANGE = { low: 60, high: 180, step: 0.5, unit: "bpm" };
const TEMPOS_SEEN = [57, 195]; // a little beyond both ends of the slider
const DELAYS_SEEN = [30, 1400]; // ms
const DELAY_TICKS = [50, 100, 200, 400, 800];
const TEMPO_TICKS = [60, 76, 90, 110, 140, 180];
const FEW_TEMPO_TICKS = [60, 90, 140];
const ASIDE = 1.2; // words stand so many times above or below a falling line
const NEAREST_NOTE = "the nearest";

const MOST_REPEATS = 16;
const MOST_ERROR_PERCENT = 1.5;
const BEATS_SEEN = [2, 4, 8, 12, 16];
const LATE_SEEN_MS = [10, 25, 50, 100, 250];
const SONG_HEARD_S = 2.5; // after which sounds fade out
const SONG_STARTS_S = 0.05;
const CLICK = { level: 0.4, decay_s: 0.008 };

/**
 * @typedef {import("./chart.mjs").Picture} Picture
 * @typedef {import("./control.mjs").Found} Found
 * @typedef {import("./control.mjs").PanelDefinition} PanelDefinition
 * @typedef {{name: string, beats: number, plain: boolean, every: number, meets: number}} SongNote
 *   it meets the beat again after so many repeats, which make so many beats
 * @typedef {{bpm: number, spacing_mm: number, slow_ips: number, speed_range_ips: [number, number],
 *   capstan_diameter: number, tape_thickness: number, judged_as: Record<string, number | null>,
 *   notes: SongNote[]}} TempoFacts
 * @typedef {{note: SongNote, offsets: number[], delay: number, beat: number, threshold: number,
 *   firstHeard: number}} RepeatsFound
 */

/** @param {TempoFacts} facts */
function judgedChoice({ judged_as }) {
  const ways = Object.keys(judged_as);
  return choice("judged_as", "judged as", ways, ways[0]);
}

/** @param {number} error s */
function lateOrEarly(error) {
  const size = msText(Math.abs(error), 1);
  return size === "0.0 ms" ? "right in time" : `${size} ${error > 0 ? "late" : "early"}`;
}

/**
 * Delay over tempo: note values as lines, this machine across, the gap between. Both axes have equal steps
 * for equal ratios, so notes are parallel lines and an error of so many cents is equally high everywhere.
 * @param {TempoFacts} facts `FACTS` of tapecalc/course/tempo.py
 * @returns {PanelDefinition}
 */
export function tempoPanel(facts) {
  const notes = [NEAREST_NOTE, ...facts.notes.map(({ name }) => name)];
  const [low, high] = facts.speed_range_ips;
  const speeds = { low, high, step: SEMITONE / 10, unit: "ips", log: true };
  return {
    name: "tempo_and_delay",
    question: "Which single move, of one control only, brings the song and the tape together?",
    legend: "Slanted lines: how long each note lasts. Thick piece: how far apart note and delay are. Shaded: "
      + "what ears let pass. Dot: the tempo that fits.",
    alt: "Chart of delay in ms over tempo in beats per minute, both with equal steps for equal ratios. Note "
      + "values are parallel falling lines; a level line is the delay, an upright one the song.",
    controls: [
      slider("tempo_bpm", "tempo", facts.bpm, TEMPO_RANGE),
      slider("spacing_mm", "head spacing", facts.spacing_mm, { low: 20, high: 100, step: 0.1, unit: "mm" }),
      slider("speed_ips", "tape speed", facts.slow_ips, speeds),
      choice("note", "note value", notes, NEAREST_NOTE),
      judgedChoice(facts),
    ],
    reckon: (values) => reckonTempo(facts, values),
    draw: (picture, found, values) => drawTempo(facts, picture, found, values),
  };
}

/**
 * @param {TempoFacts} facts @param {any} values
 * @returns {Found}
 */
function reckonTempo(facts, { tempo_bpm, spacing_mm, speed_ips, note, judged_as }) {
  const [spacing, speed] = [spacing_mm / 1000, speedFromIps(speed_ips)];
  const notes = facts.notes.filter(({ name }) => note === NEAREST_NOTE || name === note);
  const fit = nearestFit(delayFromSpacing(spacing, speed), tempo_bpm, notes, facts.judged_as[judged_as]);
  const { beats } = /** @type {SongNote} */ (notes.find(({ name }) => name === fit.note));
  const ways = exactChanges(fit, beats, spacing, speed, facts.capstan_diameter, facts.tape_thickness);
  const shaft = `on a shaft of ${mmText(facts.capstan_diameter, 2)}`;
  const move = signedText(1000 * ways.spacingChange, 1);
  const faster = `${signedText(ways.speedChangePercent, 1)} %`;
  const verdict = fit.audible ? "a miss, because ears notice" : "a fit, because ears notice only";
  const off = `${signedText(fit.errorPercent, 1)} %, ${signedText(fit.errorCents, 0)} cents`;
  return {
    sentence: `At ${generalText(tempo_bpm, 6)} bpm the delay of ${msText(fit.delay)} is `
      + `${withArticle(fit.note)}, ${lateOrEarly(fit.error)} (${off}): ${verdict} from `
      + `${msText(fit.threshold, 1)}.`,
    rows: [
      ["move the playback head by", `${move} mm, to ${mmText(ways.spacing)}`],
      ["or change the speed by", `${faster}, to ${fixedText(ways.speed / speedFromIps(1), 2)} ips`],
      ["or a sleeve of",
        ways.sleeve === null ? "impossible: a sleeve only adds" : `${mmText(ways.sleeve, 2)}, ${shaft}`],
      ["or play at", `${fixedText(ways.bpm, 1)} bpm`],
    ],
    fit, fitsBpm: ways.bpm,
  };
}

/**
 * @param {TempoFacts} facts @param {Picture} picture
 * @param {{fit: import("../live/formulas.mjs").NoteFit, fitsBpm: number}} found
 * @param {{tempo_bpm: number, judged_as: string}} values
 */
function drawTempo({ notes, judged_as }, picture, { fit, fitsBpm }, values) {
  const [slowest, fastest] = TEMPOS_SEEN;
  const lines = notes.map(({ name, beats }) => {
    const look = name === fit.note ? "dry" : "context";
    return { words: name, look, beats, at: TEMPOS_SEEN.map((bpm) => 1000 * delayFromTempo(bpm, beats)) };
  });
  const axes = picture.axes({
    x: { name: "tempo (beats per minute)", low: slowest, high: fastest, log: true,
      ticks: picture.narrow ? FEW_TEMPO_TICKS : TEMPO_TICKS },
    y: { name: "delay (ms)", low: DELAYS_SEEN[0], high: DELAYS_SEEN[1], log: true, ticks: DELAY_TICKS },
    ends: lines.map(({ words }) => words),
  });
  const tempos = Array.from({ length: 21 }, (_, n) => slowest * (fastest / slowest) ** (n / 20));
  const edge = (/** @type {number} */ sign) => tempos.map((tempo) => {
    const interval = (fit.wanted * fit.bpm) / tempo;
    return 1000 * (interval + sign * (judged_as[values.judged_as] ?? timingThreshold(interval)));
  });
  axes.area(tempos, edge(-1), edge(1), "dry faint");
  for (const { at, look } of lines) axes.line(TEMPOS_SEEN, at, look === "dry" ? "dry" : "context thin");
  axes.ends(lines.map((line) => ({ ...line, y: line.at[1] })));
  const [delay, wanted, bpm] = [1000 * fit.delay, 1000 * fit.wanted, values.tempo_bpm];
  axes.rule({ x: bpm }, "dry dashed thin");
  axes.rule({ y: delay }, "echo thin");
  axes.line([bpm, bpm], [wanted, delay], "limit thick");
  axes.marks([fitsBpm], [delay], "dot", "echo");
  axes.label(bpm, DELAYS_SEEN[0], "your song", "dry", bpm < 100 ? "right" : "left");
  axes.label(fastest, delay, msText(fit.delay), "echo", "above");
  if (fit.error > 0) axes.label(bpm, wanted / ASIDE, lateOrEarly(fit.error), "limit", "left");
  else axes.label(bpm, wanted * ASIDE, lateOrEarly(fit.error), "limit", "right");
}

/**
 * Repeats against the beat, and the error that grows with them.
 * @param {TempoFacts} facts `FACTS` of tapecalc/course/tempo.py
 * @returns {PanelDefinition}
 */
export function repeatsPanel(facts) {
  const errors = { low: -MOST_ERROR_PERCENT, high: MOST_ERROR_PERCENT, step: 0.1, unit: "%" };
  return {
    name: "repeats_and_beat",
    question: "Which repeat is the first that ears find out of time?",
    legend: "Upright lines are the beats. Squares: where repeats should fall, large ones those that meet a "
      + "beat; dots: where they do fall. Below: how late each is; shaded, what ears let pass.",
    alt: "Two charts over the same time in beats. Above: two rows of marks, repeats as they should fall and "
      + "as they do. Below: the error of each repeat in ms, growing along a straight line.",
    controls: [
      slider("tempo_bpm", "tempo", facts.bpm, TEMPO_RANGE),
      choice("note", "note value", facts.notes.map(({ name }) => name), "dotted eighth"),
      slider("error_percent", "delay too long by", 1, errors),
      slider("repeats", "repeats", 8, { low: 1, high: MOST_REPEATS, step: 1 }),
      judgedChoice(facts),
    ],
    reckon: (values) => reckonRepeats(facts, values),
    draw: drawRepeats,
    sound: soundOfRepeats,
    heard: "A click on each beat, a note and its repeats; of many repeats the last.",
  };
}

/** @param {number} count @param {string} noun */
function counted(count, noun) {
  return `${count} ${noun}${count === 1 ? "" : "s"}`;
}

/**
 * @param {TempoFacts} facts @param {any} values
 * @returns {Found}
 */
function reckonRepeats({ notes, judged_as }, values) {
  const note = /** @type {SongNote} */ (notes.find(({ name }) => name === values.note));
  const wanted = delayFromTempo(values.tempo_bpm, note.beats);
  const delay = wanted * (1 + values.error_percent / 100);
  const fit = fitNote(delay, values.tempo_bpm, note, judged_as[values.judged_as]);
  const offsets = Array.from({ length: values.repeats }, (_, n) => gridOffset(delay, wanted, n + 1));
  const firstHeard = 1 + (repeatsInTime(fit) ?? Infinity);
  const heard = firstHeard < Infinity ? `ears notice from repeat ${firstHeard} on`
    : "none is ever heard as wrong";
  const name = withArticle(note.name);
  const make = note.every === 1 ? "makes" : "make";
  const meets = `${counted(note.every, "repeat")} ${make} ${counted(note.meets, "beat")}`;
  const error = `${values.error_percent < 0 ? "" : "+"}${generalText(values.error_percent, 3)} %`;
  return {
    sentence: `${name[0].toUpperCase()}${name.slice(1)} at ${generalText(values.tempo_bpm, 6)} bpm lasts `
      + `${msText(wanted)}; ${meets}. With ${error} of error repeat ${values.repeats} is `
      + `${lateOrEarly(offsets[values.repeats - 1])}; ${heard}.`,
    rows: [
      ["the delay", msText(delay, 1)],
      ["late per repeat", `${signedText(1000 * fit.error, 1)} ms`],
      ["ears notice from", msText(fit.threshold, 1)],
    ],
    note, offsets, delay, firstHeard, threshold: fit.threshold, beat: wanted / note.beats,
  };
}

/**
 * @param {Picture} picture @param {RepeatsFound} found
 */
function drawRepeats(picture, { note, offsets, beat, threshold, firstHeard }) {
  const inTime = offsets.map((_, n) => (n + 1) * note.beats);
  const late = offsets.map((offset) => 1000 * offset);
  const most = Math.max(1000 * threshold, ...late.map(Math.abs));
  const seen = LATE_SEEN_MS.find((room) => room >= 1.04 * most) ?? most;
  const last = BEATS_SEEN.find((beats) => beats >= offsets.length * note.beats - 1e-9) ?? MOST_REPEATS;
  const ticks = Array.from({ length: last + 1 }, (_, n) => n);
  const words = ticks.map((tick) => (picture.narrow && last > 8 && tick % 2 ? "" : `${tick}`));
  const x = { low: -0.03 * last, high: 1.04 * last, ticks, words };
  const [rhythm, error] = picture.below([2, 3], [
    { x, y: { low: -0.7, high: 1.7, ticks: [0, 1], words: ["as it is", "in time"], grid: false } },
    { x: { ...x, name: "time after the note (beats)" }, y: { name: "late (ms)", low: -seen, high: seen } },
  ]);
  const { frame } = rhythm;
  const [wide, high] = [(x.high - x.low) / (frame.right - frame.x), 2.4 / (frame.foot - frame.y)];
  const size = picture.text * (picture.narrow ? 0.7 : 1);
  const [large, small] = [true, false].map(
    (meets) => inTime.filter((_, n) => ((n + 1) % note.every === 0) === meets));
  for (const at of large) rhythm.bar(at, 1 - (size / 2) * high, 1 + (size / 2) * high, size * wide, "dry");
  rhythm.marks([0, 0], [0, 1], "diamond", "dry");
  rhythm.marks(small, small.map(() => 1), "square", "dry");
  rhythm.marks(inTime.map((at, n) => at + offsets[n] / beat), inTime.map(() => 0), "dot", "echo");
  error.band(-1000 * threshold, 1000 * threshold, "dry faint");
  error.rule({ y: 0 }, "context thin");
  error.line([0, ...inTime], [0, ...late], "echo thin");
  error.marks(inTime, late, "dot", "echo");
  if (firstHeard > offsets.length) return;
  const [at, ms] = [inTime[firstHeard - 1], late[firstHeard - 1]];
  error.marks([at], [ms], "ring", "limit");
  error.label(at, ms + 0.25 * seen * Math.sign(ms), `repeat ${firstHeard} is noticed`, "limit", "left");
}

/**
 * @param {RepeatsFound} found
 */
function soundOfRepeats({ offsets, delay, beat }) {
  const last = offsets.length * delay;
  // What is left out at the front are whole beats.
  const skipped = beat * Math.ceil(Math.max(0, last - SONG_HEARD_S + SONG_STARTS_S) / beat);
  const notes = [0, ...offsets.map((_, n) => (n + 1) * delay)];
  const lastBeat = Math.floor(last / beat + 1e-9);
  return heardSound((heardAt, sample) => {
    const time = heardAt + skipped - SONG_STARTS_S;
    const since = time - beat * Math.min(Math.floor(time / beat), lastBeat);
    const click = time < 0 ? 0 : CLICK.level * Math.exp(-since / CLICK.decay_s) * steadyHiss(sample);
    return click + notes.reduce((sum, at) => sum + pluckedNote(time - at), 0);
  });
}
