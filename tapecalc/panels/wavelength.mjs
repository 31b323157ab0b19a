// Why short waves fade: gap, contact, standard equalization, and pass after pass.

import { speedFromIps } from "../live/formulas.mjs";
import { fixedText, generalText, levelText, msText, speedText } from "../live/words.mjs";
import { SEMITONE, choice, slider } from "./control.mjs";
import { HEARD_RATE, heardSound, steadyHiss } from "./hearing.mjs";
import { azimuthLossDb, bandsOf, bumpGain, coatingOutputDb, contactLossDb } from "./losses.mjs";
import { equalizationDb, gapLossDb, gapNullFrequency, repeatLevelDb } from "./losses.mjs";
import { spacingLossDb, spreadByLog, thicknessLossDb, waveLength } from "./losses.mjs";
import { signedText } from "./timing.mjs";

const UM = 1e-6;
const MINUTE_OF_ARC = Math.PI / 180 / 60;
const FREQUENCIES = Array.from(spreadByLog(20, 20e3, 300));
const ALONG_UM = 24; // of the tape that is drawn, to either side of the gap
const FAINTEST_GAP_DB = -32;
const FAINTEST_DB = -40;
const PROBE_HZ = 10e3; // what the tables speak of
const BASS_HZ = 50;
const GAP_TAPS = 64;
const HISS_S = 1.4;

/**
 * @typedef {import("./control.mjs").PanelDefinition} PanelDefinition
 * @typedef {import("./control.mjs").Found} Found
 */

/**
 * Mirrors tapecalc.words.frequency with so many digits.
 * @param {number} frequency @param {number} digits
 */
export function hertzText(frequency, digits) {
  const rounded = Number(generalText(frequency, digits));
  return rounded >= 1000 ? `${generalText(rounded / 1e3, 6)} kHz` : `${generalText(rounded, 6)} Hz`;
}

/** @param {number} level @returns {string} without a minus before a zero */
function decibels(level) {
  const text = fixedText(level, 1);
  return `${Number(text) === 0 ? text.replace("-", "") : text} dB`;
}

/** @param {any} facts */
function tapeSpeed(facts) {
  const [low, high] = facts.speed_range_ips;
  const range = { low, high, step: SEMITONE, unit: "ips", log: true };
  return slider("speed_ips", "tape speed", facts.speed_ips, range);
}

/**
 * @param {string} name @param {string} label @param {number} first m
 * @param {number} low um @param {number} high um @param {number} [step] um
 */
function umSlider(name, label, first, low, high, step = 0.1) {
  return slider(name, label, Number((first / UM).toFixed(3)), { low, high, step, unit: "\u00B5m" });
}

/**
 * Where a curve that falls towards the treble leaves room.
 * @param {number} level dB @returns {"left" | "below"}
 */
function besideCurve(level) {
  return level < -6 ? "left" : "below";
}

/** @param {number} low @param {number} high dB */
function overFrequency(low, high) {
  const x = { name: "frequency (Hz)", low: 20, high: 20e3, log: true };
  return { x, y: { name: "level (dB)", low, high } };
}

// ---- the pattern and the gap ----

/**
 * A tone on tape that passes the gap, and the gap loss.
 * Source: J. Eargle, Electroacoustical Reference Data, 1994.
 * @param {any} facts `FACTS` of tapecalc/course/wavelength.py
 * @returns {PanelDefinition}
 */
export function patternPanel(facts) {
  const { gap, gap_factor } = facts.pass.today;
  const tone = { low: 2.5, high: 20, step: SEMITONE, unit: "kHz", log: true };
  return {
    name: "pattern_and_gap",
    question: "At which gap is the average nothing at all, however far the tape moves?",
    legend:
      "Above: the pattern on tape; shaded: the effective gap, 1.11 times the gap; thick bar: the average " +
      "inside it, which is all that the head reads. Rings: how far up and down that bar can get. Below: " +
      "what the gap leaves of each frequency; dot: your tone.",
    alt:
      "Two charts. Above: a wave along the tape in µm behind a shaded gap, with a bar at the average " +
      "inside it. Below: gap loss in dB over frequency, falling towards a null.",
    controls: [
      slider("frequency_khz", "tone", 10, tone),
      tapeSpeed(facts),
      umSlider("gap_um", "gap", gap, 1, 10),
      slider("moved_percent", "tape moved by", 0, { low: 0, high: 50, step: 5, unit: "% of wave" }),
    ],
    reckon: (values) => reckonPattern(gap_factor, values),
    draw: drawPattern,
    sound: soundOfGap,
    heard: "A hiss as it is on the tape, then as this gap reads it at this speed.",
  };
}

/** @param {number} factor @param {any} values @returns {Found} */
function reckonPattern(factor, { frequency_khz, speed_ips, gap_um, moved_percent }) {
  const [frequency, speed, gap] = [frequency_khz * 1e3, speedFromIps(speed_ips), gap_um * UM];
  const [long, span] = [waveLength(frequency, speed), factor * gap];
  const lossDb = gapLossDb(frequency, speed, gap, factor);
  // Beyond the first null the average has turned around.
  const angle = (Math.PI * span) / long;
  const largest = Math.sin(angle) / angle;
  const average = largest * Math.cos((2 * Math.PI * moved_percent) / 100);
  const wave = `${generalText(long / UM, 4)} µm`;
  const reach = fixedText(Math.abs(largest), 2);
  const lost = reach === "0.00" ? "nothing is left" : `${fixedText(-lossDb, 1)} dB lost`;
  const null_ = gapNullFrequency(speed, gap, factor);
  return {
    sentence:
      `${generalText(frequency_khz, 3)} kHz at ${speedText(speed, "us")} is ${wave} long, and the gap ` +
      `spans ${fixedText((100 * span) / long, 0)} % of that. Its average is ${signedText(average, 2)} now, ` +
      `and never more than ${reach} of full: ${lost}.`,
    rows: [
      ["wavelength", wave],
      ["effective gap", `${fixedText(factor * gap_um, 2)} µm`],
      ["average now", signedText(average, 2)],
      ["first tone canceled", `${fixedText(null_ / 1e3, 1)} kHz`],
    ],
    frequency, speed, gap, factor, long, span, largest, average, firstNull: null_,
    left: reach === "0.00" ? "nothing left" : decibels(lossDb), lossDb,
  };
}

/** @param {import("./chart.mjs").Picture} picture @param {any} found @param {any} values */
function drawPattern(picture, found, { moved_percent }) {
  const { frequency, speed, gap, factor, largest, average, lossDb, firstNull, left } = found;
  const [long, span] = [found.long / UM, found.span / UM];
  const [tape, loss] = picture.below([1, 1], [
    {
      x: { name: "along the tape (µm)", low: -ALONG_UM, high: ALONG_UM },
      y: { name: "pattern on the tape", low: -1.15, high: 1.15, ticks: [-1, 0, 1] },
    },
    {
      x: { name: "frequency (Hz)", low: 1000, high: 20e3, log: true },
      y: { name: "what the gap leaves (dB)", low: FAINTEST_GAP_DB, high: 2, ticks: [-30, -20, -10, 0] },
    },
  ]);
  const places = Array.from({ length: 481 }, (_, at) => (ALONG_UM * (at - 240)) / 240);
  tape.shade(-span / 2, span / 2);
  const wave = (/** @type {number} */ place) => Math.cos(2 * Math.PI * (place / long - moved_percent / 100));
  tape.line(places, places.map(wave), "tape");
  tape.line([-span / 2, span / 2], [average, average], "echo thick");
  tape.marks([0, 0], [-largest, largest], "ring", "echo");
  tape.label(span / 2, 0.75 * average, `read ${signedText(average, 2)}`, "echo", "right");
  const over = FREQUENCIES.filter((one) => one >= 1000);
  loss.line(over, over.map((one) => gapLossDb(one, speed, gap, factor)), "echo thick");
  loss.rule({ x: firstNull }, "limit thin dashdots");
  if (firstNull < 18e3) loss.label(firstNull, 0, "null", "limit", firstNull < 12e3 ? "right" : "left");
  const shown = Math.max(lossDb, FAINTEST_GAP_DB);
  loss.marks([frequency], [shown], "dot", "echo");
  loss.label(frequency, shown, left, "echo", frequency > firstNull ? "above" : besideCurve(lossDb));
}

/** @param {any} found */
function soundOfGap({ speed, gap, factor }) {
  // A gap averages evenly, so that it turns no phase: taps that stand symmetrically about the middle one.
  const width = (factor * gap) / speed;
  const taps = Array.from({ length: 2 * GAP_TAPS + 1 }, (_, tap) => {
    let sum = 1;
    for (let k = 1; k < GAP_TAPS; k += 1) {
      const angle = (Math.PI * k * HEARD_RATE * width) / (2 * GAP_TAPS);
      sum += ((2 * Math.sin(angle)) / angle) * Math.cos((Math.PI * k * (tap - GAP_TAPS)) / GAP_TAPS);
    }
    return (sum / (2 * GAP_TAPS)) * Math.cos((Math.PI * (tap - GAP_TAPS)) / (2 * GAP_TAPS + 2)) ** 2;
  });
  const half = 1.5 * HEARD_RATE;
  return heardSound((time, at) => {
    const since = at % half;
    const edge = Math.min(1, (50 * since) / HEARD_RATE, Math.max(0, 50 * (HISS_S - since / HEARD_RATE)));
    if (edge === 0) return 0;
    if (at < half) return edge * steadyHiss(since);
    return edge * taps.reduce((sum, tap, k) => sum + tap * steadyHiss(since + k - GAP_TAPS), 0);
  });
}

// ---- four losses ----

/**
 * Gap, spacing, thickness and azimuth loss, each with its slider, and their sum.
 * Source: R. L. Wallace 1951; O. Tjaden 1959; J. Eargle 1994; H. Voelz, lecture notes on recording.
 * @param {any} facts `FACTS` of tapecalc/course/wavelength.py
 * @returns {PanelDefinition}
 */
export function contactPanel(facts) {
  const { gap, separation, coating_thickness, azimuth_angle } = facts.pass.today;
  const tilt = Number((azimuth_angle / MINUTE_OF_ARC).toFixed(3));
  return {
    name: "four_losses",
    question: "Which of the four takes most at 10 kHz, and can you make another one overtake it?",
    legend:
      "Each thin line is one loss, brown the largest of them at 10 kHz; thick: their sum, with a dot at 10 " +
      "kHz. What a coating gives is told against the bench deck's, equally magnetized.",
    alt:
      "Line chart of level in dB over frequency from 20 Hz to 20 kHz: four losses and their sum, all at " +
      "0 dB in the bass and falling towards the treble.",
    controls: [
      tapeSpeed(facts),
      umSlider("gap_um", "gap", gap, 0, 10),
      umSlider("separation_um", "head-to-tape separation", separation, 0, 5),
      umSlider("coating_um", "coating thickness", coating_thickness, 1, 20, 0.5),
      slider("tilt_arcmin", "azimuth error", tilt, { low: 0, high: 20, step: 0.5, unit: "arcmin" }),
    ],
    reckon: (values) => reckonContact(facts.pass, values),
    draw: drawContact,
  };
}

/** @param {any} pass @param {any} values @returns {Found} */
function reckonContact(pass, { speed_ips, gap_um, separation_um, coating_um, tilt_arcmin }) {
  const speed = speedFromIps(speed_ips);
  const [gap, away, depth] = [gap_um * UM, separation_um * UM, coating_um * UM];
  const { gap_factor, surface_share, track_width, coating_thickness } = pass.today;
  const angle = tilt_arcmin * MINUTE_OF_ARC;
  const moved = { gap, separation: away, coating_thickness: depth, azimuth_angle: angle };
  const contact = { ...pass.today, ...moved };
  /** @type {Record<string, (frequency: number) => number>} */
  const losses = {
    thickness: (frequency) => thicknessLossDb(frequency, speed, depth, surface_share),
    spacing: (frequency) => spacingLossDb(frequency, speed, away),
    gap: (frequency) => gapLossDb(frequency, speed, gap, gap_factor),
    azimuth: (frequency) => azimuthLossDb(frequency, speed, track_width, angle),
    sum: (frequency) => contactLossDb(frequency, speed, contact),
  };
  const lines = Object.entries(losses).map(([name, lossDb]) =>
    ({ name, at: lossDb(PROBE_HZ), levels: FREQUENCIES.map(lossDb) }));
  const [sum, four] = [lines[4].at, lines.slice(0, 4)];
  const worst = four.reduce((one, other) => (other.at < one.at ? other : one));
  const bare = { ...pass, speed, today: contact, aligned: contact, boost_db: 0, low_cut: 0 };
  const [[, high]] = bandsOf(bare, 3, [1]);
  const gives = [100, PROBE_HZ].map((one) => coatingOutputDb(one, speed, depth, coating_thickness));
  return {
    sentence:
      `10 kHz at ${speedText(speed, "us")} loses ${fixedText(-sum, 1)} dB, most of it to the ${worst.name} ` +
      `(${fixedText(-worst.at, 1)} dB). Without an equalizer the sum is down 3 dB at ` +
      `${hertzText(high ?? 0, 2)}.`,
    rows: [
      ...lines.map(({ name, at }) => /** @type {[string, string]} */ ([`${name} at 10 kHz`, decibels(at)])),
      ["this coating gives, at 100 Hz", levelText(gives[0])],
      ["this coating gives, at 10 kHz", levelText(gives[1])],
    ],
    lines, worst: worst.name,
  };
}

/** @param {import("./chart.mjs").Picture} picture @param {any} found */
function drawContact(picture, { lines, worst }) {
  const ends = lines.map((/** @type {any} */ line) => line.name);
  const axes = picture.axes({ ...overFrequency(FAINTEST_DB, 2), ends });
  axes.rule({ x: PROBE_HZ }, "context thin");
  const named = [];
  for (const { name, levels } of lines) {
    const look = name === "sum" ? "echo" : name === worst ? "tape" : "context";
    axes.line(FREQUENCIES, levels, name === "sum" ? "echo thick" : look);
    named.push({ y: levels[levels.length - 1], words: name, look });
  }
  axes.ends(named.sort((one, other) => other.y - one.y));
  const sum = lines[4].at;
  axes.marks([PROBE_HZ], [Math.max(sum, FAINTEST_DB)], "dot", "echo");
  axes.label(PROBE_HZ, Math.max(sum, FAINTEST_DB), decibels(sum), "echo", besideCurve(sum));
}

// ---- standards ----

/**
 * A tape recorded to one standard and played to another.
 * Source: IEC 60094-1:1981, clause 15, and beside each entry of `EQUALIZATIONS`.
 * @param {any} facts `FACTS` of tapecalc/course/wavelength.py
 * @returns {PanelDefinition}
 */
export function equalizationPanel(facts) {
  const names = Object.keys(facts.equalizations);
  return {
    name: "equalization",
    question: "Which pairs of standards give back what went in?",
    legend:
      "On tape: the flux that the recorder leaves. Playback: what its amplifier adds. Thick: both " +
      "together, what comes out.",
    alt:
      "Line chart of level in dB over frequency from 20 Hz to 20 kHz: flux on tape falling, correction at " +
      "playback rising, and their sum, flat only where both follow one standard.",
    controls: [
      choice("recorded", "recorded to", names, facts.first_standards[0]),
      choice("played", "played to", names, facts.first_standards[1]),
    ],
    reckon: (values) => reckonEqualization(facts.equalizations, values),
    draw: drawEqualization,
  };
}

/** @param {Record<string, [number, number | null]>} standards @param {any} values @returns {Found} */
function reckonEqualization(standards, { recorded, played }) {
  const [onTape, corrected] = [recorded, played].map((name) => (/** @type {number} */ frequency) =>
    equalizationDb(frequency, ...standards[name]));
  const result = (/** @type {number} */ frequency) => onTape(frequency) - corrected(frequency);
  const [flux, back, treble] = [onTape(PROBE_HZ), -corrected(PROBE_HZ), levelText(result(PROBE_HZ))];
  const holds = `The tape itself holds 10 kHz at ${decibels(flux)}.`;
  const alike = standards[recorded].every((tau, k) => tau === standards[played][k]);
  const names = recorded === played ? `and played to ${recorded}` : `to ${recorded}, played to ${played}`;
  const told = alike
    ? `Recorded ${names}: every frequency comes out as it went in.`
    : `Recorded ${names}: 50 Hz comes out ${levelText(result(BASS_HZ))}, 10 kHz ${treble}.`;
  return {
    sentence: `${told} ${holds}`,
    rows: [
      ["flux on tape at 10 kHz", levelText(flux)],
      ["correction at 10 kHz", levelText(back)],
      ["result at 10 kHz", treble],
    ],
    flux: FREQUENCIES.map(onTape),
    correction: FREQUENCIES.map((frequency) => -corrected(frequency)),
    result: FREQUENCIES.map(result),
  };
}

/** @param {import("./chart.mjs").Picture} picture @param {any} found */
function drawEqualization(picture, found) {
  const lines = [
    { levels: found.flux, words: "on tape", look: "tape" },
    { levels: found.correction, words: "playback", look: "context" },
    { levels: found.result, words: "comes out", look: "echo" },
  ];
  const { x, y } = overFrequency(-32, 32);
  const ticks = [-30, -20, -10, 0, 10, 20, 30];
  const axes = picture.axes({ x, y: { ...y, ticks }, ends: lines.map(({ words }) => words) });
  for (const { levels, look } of lines) axes.line(FREQUENCIES, levels, look === "echo" ? "echo thick" : look);
  axes.ends(lines.map(({ levels, words, look }) => ({ y: levels[levels.length - 1], words, look })));
}

// ---- pass after pass ----

/**
 * One pass and many, with what the speed costs.
 * @param {any} facts `FACTS` of tapecalc/course/wavelength.py
 * @returns {PanelDefinition}
 */
export function passesPanel(facts) {
  const { today, aligned, boost_db } = facts.pass;
  const cleanUm = aligned.separation / UM;
  return {
    name: "passes",
    question: "Which slider brings most treble back to the last pass?",
    legend:
      "Thin: one pass. Thick: all passes together. Shaded: the band that is left within 3 dB after the " +
      "last of them, but for head bumps.",
    alt:
      "Line chart of level in dB over frequency from 20 Hz to 20 kHz: one pass and several passes, the " +
      "latter narrower at both ends, with the band that is left shaded.",
    controls: [
      tapeSpeed(facts),
      slider("passes", "passes", 8, { low: 1, high: 12, step: 1 }),
      umSlider("separation_um", "head-to-tape separation", today.separation, cleanUm, 5),
      slider("boost_db", "most treble boost", boost_db, { low: 0, high: 36, step: 1, unit: "dB" }),
      choice("bumps", "head bumps", Object.keys(facts.bumps), "none"),
    ],
    reckon: (values) => reckonPasses(facts, values),
    draw: drawPasses,
  };
}

/** @param {any} facts @param {any} values @returns {Found} */
function reckonPasses(facts, { speed_ips, passes, separation_um, boost_db, bumps }) {
  const speed = speedFromIps(speed_ips);
  const today = { ...facts.pass.today, separation: separation_um * UM };
  const even = { ...facts.pass, speed, today, boost_db, pole_shape: "flat" };
  const bumped = { ...even, pole_shape: facts.bumps[bumps] };
  const bands = bandsOf(even, 3, [1, passes]);
  const [ofOne, ofLast] = bands.map((band) => band.map((edge) => hertzText(edge ?? 0, 2)).join(" to "));
  const keeps = `At ${speedText(speed, "us")} one pass keeps ${ofOne} within 3 dB`;
  const { pole_length, pole_shape } = bumped;
  const lifts = FREQUENCIES.map((one) => Math.abs(bumpGain((pole_length * one) / speed, pole_shape)));
  const bumpDb = passes * 20 * Math.log10(Math.max(...lifts));
  return {
    sentence: passes === 1 ? `${keeps}.` : `${keeps}, pass ${passes} keeps ${ofLast}.`,
    rows: [
      [`10 kHz after ${passes}`, decibels(repeatLevelDb(bumped, PROBE_HZ, passes))],
      [`the highest bump after ${passes}`, levelText(bumpDb)],
      [`hiss after ${passes}, each adding the same`, levelText(10 * Math.log10(passes))],
      ["delay of one pass", msText(facts.spacing / speed)],
      ["the reel lasts", `${fixedText(facts.tape_length / speed / 60, 0)} min`],
    ],
    one: FREQUENCIES.map((frequency) => repeatLevelDb(bumped, frequency, 1)),
    band: bands[1],
    edgeDb: repeatLevelDb(even, bands[1][0] ?? 0, passes),
    left: ofLast,
  };
}

/** @param {import("./chart.mjs").Picture} picture @param {any} found @param {any} values */
function drawPasses(picture, { one, band, edgeDb, left }, { passes }) {
  const names = passes === 1 ? ["one pass"] : ["one pass", `${passes} passes`];
  const all = one.map((/** @type {number} */ level) => passes * level);
  const axes = picture.axes({ ...overFrequency(FAINTEST_DB, Math.max(...all) > 13 ? 44 : 14), ends: names });
  axes.shade(band[0], band[1]);
  axes.rule({ y: edgeDb }, "context thin");
  if (passes > 1) axes.line(FREQUENCIES, one, "context");
  axes.line(FREQUENCIES, all, "echo thick");
  const looks = passes === 1 ? ["echo"] : ["context", "echo"];
  const last = FREQUENCIES.length - 1;
  axes.label(Math.sqrt(band[0] * Math.min(band[1], 20e3)), FAINTEST_DB, left, "text", "above");
  axes.ends(names.map((words, k) => ({ y: k ? all[last] : one[last], words, look: looks[k] })));
}
