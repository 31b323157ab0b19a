// How repeats fade or pile up in the loop, and where it runs away.

import { amplitudeToDb, dbToAmplitude, growthDbPerS, repeatsHeard } from "../live/formulas.mjs";
import { fixedText, levelText } from "../live/words.mjs";
import { choice, slider } from "./control.mjs";
import { heardSound, pluckedNote, steadyHiss } from "./hearing.mjs";
import { crowdSettlingLevel, loopStart, onceRound, playedRounds, settlingLevel } from "./loops.mjs";

const FADING_SECONDS = 6;
const [FADED_DB, FULL_DB] = [-80, 6]; // what is drawn
const [LOWEST_LOOP_DB, HIGHEST_LOOP_DB] = [-24, 6];
const FIRST_NOTE_S = 0.03; // of what is heard, after the silence has gone
const TURN_POINTS = 160; // of one turn of the arrow
const CUT_STEP = Math.log10(2) / 15; // the deck's low cut lies two octaves above the lowest
/** @type {Record<string, string>} */
const BUMP_SHAPES = { none: "flat", likely: "blocks", "at most": "plates" };

/** @typedef {import("./control.mjs").PanelDefinition} PanelDefinition */

/** @param {number} value @param {number} low @param {number} longest */
function loopDelay(value, low, longest) {
  return slider("delay_ms", "delay", value, { low, high: longest, step: 1, unit: "ms" });
}

/** @param {number} db @returns {string} without a plus, and without a minus before a zero */
function plainDbText(db) {
  return `${fixedText(Math.abs(db) < 0.05 ? 0 : db, 1)} dB`;
}

// ---- how repeats fade or pile up ----

/**
 * The level of the repeats of a tone over time, with the hiss below and the full tape above.
 * @param {any} facts `FACTS` of tapecalc/course/repeats.py
 * @returns {PanelDefinition}
 */
export function fadingPanel(facts) {
  return {
    name: "fading_repeats",
    question: "Which loop gain leaves a dozen repeats above the hiss?",
    legend:
      "All levels, those of the sliders too, count from a full tape. Dots: the repeats, the first of " +
      "them one delay after the sound; pale where they are below the hiss.",
    alt:
      "Chart of level in dB, full tape is 0, over time in s. Dots for the repeats fall in a straight " +
      "line below a loop gain of 1; above it they climb and bend into a level line. The hiss rises in" +
      " steps.",
    controls: [
      slider("loop_gain", "loop gain", 0.5, { low: 0.3, high: 1.3, step: 0.01 }),
      loopDelay(facts.delay_ms, 60, facts.longest_ms),
      slider("start_db", "first sound", facts.start_db, { low: -30, high: 0, step: 1, unit: "dB" }),
      slider("hiss_db", "hiss of one pass", facts.hiss_db, { low: -75, high: -40, step: 1, unit: "dB" }),
    ],
    reckon: fadingFound,
    draw: drawFading,
    sound: fadingSound,
    heard: "A plucked note and its repeats, with the hiss of the tape, for three seconds.",
  };
}

/** @param {any} values */
function fadingFound({ loop_gain, delay_ms, start_db, hiss_db }) {
  const [gain, delay] = [Math.round(loop_gain * 100) / 100, delay_ms * 1e-3];
  const gainDb = amplitudeToDb(gain);
  const count = Math.floor(FADING_SECONDS / delay);
  const played = playedRounds(gain, dbToAmplitude(start_db), hiss_db, count);
  const heldDb = gain > 1 ? amplitudeToDb(settlingLevel(gainDb)) - gainDb : null;
  const [levels, below] = [Array.from(played.levelsDb), Array.from(played.hissesDb)];
  const under = levels.findIndex((db, at) => db <= below[at]);
  const heard = under < 0 ? count : under;
  const until = `${heard} in ${fixedText(heard * delay, 1)} s`;
  const [story, change] = fadingStory(gainDb, delay, heldDb);
  return {
    sentence: `At a loop gain of ${fixedText(gain, 2)} ${story}`,
    rows: /** @type {[string, string][]} */ ([
      ["repeats above the hiss", under < 0 ? `all in these ${FADING_SECONDS} s` : until],
      ["hiss has risen by", plainDbText(below[count - 1] - hiss_db)],
      change,
    ]),
    times: levels.map((_, at) => (at + 1) * delay),
    levels,
    below,
    heard,
    heldDb,
  };
}

/**
 * @param {number} gainDb @param {number} delay @param {number | null} heldDb
 * @returns {[string, [string, string]]}
 */
function fadingStory(gainDb, delay, heldDb) {
  if (gainDb < 0) {
    const count = repeatsHeard(gainDb, -60);
    return [
      `each repeat is ${fixedText(-gainDb, 1)} dB quieter: ${count} are heard down to -60 dB, the last ` +
        `after ${fixedText(delay * count, 1)} s.`,
      ["a steady tone piles up by", `${fixedText(-amplitudeToDb(1 - dbToAmplitude(gainDb)), 1)} dB`],
    ];
  }
  if (heldDb === null) {
    return [
      "each repeat is as loud as the last: the sound stays for ever, and the hiss climbs up to it.",
      ["changes each second by", "0.0 dB"],
    ];
  }
  return [
    `each repeat is ${fixedText(gainDb, 1)} dB louder, until the tape holds it at ${levelText(heldDb)}; ` +
      "there it stays.",
    ["grows each second by", `${fixedText(growthDbPerS(delay, gainDb), 1)} dB`],
  ];
}

/** @param {import("./chart.mjs").Picture} picture @param {any} found */
function drawFading(picture, { times, levels, below, heard, heldDb }) {
  const axes = picture.axes({
    x: { name: "time (s)", low: 0, high: FADING_SECONDS },
    y: { name: "level (dB, full tape is 0)", low: FADED_DB, high: FULL_DB },
  });
  axes.rule({ y: 0 }, "limit thin");
  axes.label(FADING_SECONDS, 0, "full tape", "limit", "above");
  const [steps, heights] = [[], []].map(() => /** @type {number[]} */ ([]));
  below.forEach((/** @type {number} */ db, /** @type {number} */ at) => {
    steps.push(times[at], times[at + 1] ?? FADING_SECONDS);
    heights.push(db, db);
  });
  axes.line(steps, heights, "context");
  const [last, hiss] = [levels[levels.length - 1], below[below.length - 1]];
  axes.label(FADING_SECONDS, hiss, "hiss", "context", hiss > last ? "above" : "below");
  if (heldDb !== null) {
    axes.rule({ y: heldDb }, "limit dashdots");
    axes.label(FADING_SECONDS, Math.min(heldDb, last), "where the tape holds it", "limit", "below");
  }
  for (const [some, look] of [[[0, heard], "echo"], [[heard, levels.length], "context"]]) {
    const [x, y] = [times, levels].map((all) => all.slice(...some));
    // Dots that would touch are a line.
    if (axes.px(times[1]) - axes.px(times[0]) < 8) axes.line(x, y, `${look} thick`);
    else axes.marks(x, y, "dot", String(look));
  }
}

/** @param {any} found @param {any} values */
function fadingSound({ levels, below }, { delay_ms, start_db, hiss_db }) {
  const delay = delay_ms * 1e-3;
  const loud = [start_db, ...levels].map(dbToAmplitude);
  const hiss = [hiss_db, ...below].map((db) => dbToAmplitude(db) / Math.SQRT2); // of a full sine
  return heardSound((now, at) => {
    const time = now - FIRST_NOTE_S;
    const [round, from] = [Math.floor(time / delay), Math.max(0, Math.floor((time - 0.4) / delay))];
    let sum = hiss[Math.min(Math.max(round, 0), hiss.length - 1)] * steadyHiss(at);
    for (let one = from; one <= round && one < loud.length; one += 1) {
      sum += loud[one] * pluckedNote(time - one * delay);
    }
    return sum;
  });
}

// ---- where it runs away ----

/**
 * The loop gain over frequency, and the arrow that comes back over one turn about the tone that starts first.
 * Source: H. Nyquist, Regeneration Theory, Bell System Technical Journal 11, 1932 (from memory).
 * @param {any} facts `FACTS` of tapecalc/course/repeats.py
 * @returns {PanelDefinition}
 */
export function runawayPanel(facts) {
  const bumps = Object.keys(BUMP_SHAPES);
  const [tenths, thirds] = [{ step: 0.1 }, { step: CUT_STEP, log: true }];
  return {
    name: "where_it_runs_away",
    question: "Which controls move the place where it starts, and which only how near it is?",
    legend:
      "Diamond: the tone that starts first, and the arrow that comes back of it. The curve on the " +
      "round chart is the tip of that arrow over one turn about that tone; the loop runs away when it" +
      " encloses the cross, the point 1.",
    alt:
      "Two charts. One: loop gain in dB over frequency in Hz, waves in the bass, flat above, with the" +
      " edge at 0 dB and a mark where the loop would start. The other: a nearly round curve in the " +
      "complex plane, and the point 1 outside it while the loop is stable.",
    controls: [
      slider("return_send_db", "return send", facts.return_send_db,
        { ...tenths, low: -12, high: 3, unit: "dB" }),
      loopDelay(facts.delay_ms, 60, facts.longest_ms),
      slider("separation_um", "dirt on the head", facts.separation_um,
        { ...tenths, low: 0, high: 4, unit: "µm" }),
      slider("low_cut_hz", "low cut", facts.low_cut_hz, { ...thirds, low: 10, high: 320, unit: "Hz" }),
      choice("bumps", "bumps of the head in the bass", bumps, "likely"),
    ],
    reckon: (values) => runawayFound(facts.one_pass, values),
    draw: drawRunaway,
  };
}

/** @param {any} clean a pass of the deck @param {any} values */
function runawayFound(clean, { return_send_db, delay_ms, separation_um, low_cut_hz, bumps }) {
  const delay = delay_ms * 1e-3;
  const today = { ...clean.today, separation: separation_um * 1e-6 };
  const onePass = { ...clean, today, low_cut: low_cut_hz, pole_shape: BUMP_SHAPES[bumps] };
  const start = loopStart(onePass, delay);
  const pastDb = return_send_db + start.levelDb;
  const gain = dbToAmplitude(return_send_db);
  const turn = Array.from({ length: TURN_POINTS + 1 }, (_, at) => {
    const near = Math.max(start.frequency + (at / TURN_POINTS - 0.5) / delay, 0);
    return onceRound(onePass, delay, near).map((part) => gain * part);
  });
  const where = `${fixedText(start.frequency, 0)} Hz`;
  /** @type {[string, string][]} */
  const rows = [
    ["edge of the return send", plainDbText(-start.levelDb)],
    ["first tone to start", where],
    ["tones within 1 dB of it", `${fixedText(start.low, 0)} Hz to ${fixedText(start.high, 0)} Hz`],
    ["tones in phase are apart by", `${fixedText(1 / delay, 1)} Hz`],
    ["the first tone changes each second by", levelText(growthDbPerS(delay, pastDb))],
  ];
  let story = `there are ${fixedText(-pastDb, 1)} dB to go. It would start first at ${where}.`;
  if (pastDb >= 0) {
    const ends = [settlingLevel, crowdSettlingLevel].map((settling) => amplitudeToDb(settling(pastDb)));
    rows.push(["the tape holds it, full tape is 0, at", ends.map(levelText).join(" to ")]);
    story = `the loop is ${fixedText(pastDb, 1)} dB past the edge. It starts first at ${where}.`;
  }
  const levelsDb = start.levelsDb.map((db) => db + return_send_db);
  const sentence = `With the return send at ${fixedText(return_send_db, 1)} dB ${story}`;
  const { frequencies, frequency } = start;
  return { sentence, rows, frequencies, levelsDb, frequency, pastDb, turn };
}

/** @param {import("./chart.mjs").Picture} picture @param {any} found */
function drawRunaway(picture, { frequencies, levelsDb, frequency, pastDb, turn }) {
  const ends = [-1.75, 1.75];
  const [level, plane] = picture.beside(picture.narrow ? [4, 5] : [5, 4], [
    {
      x: { name: "frequency (Hz)", low: 20, high: 20e3, log: true, ticks: [20, 100, 1000, 10e3] },
      y: { name: "loop gain (dB)", low: LOWEST_LOOP_DB, high: HIGHEST_LOOP_DB, ticks: [-20, -10, 0] },
      ends: ["edge"],
    },
    {
      x: { name: "in phase", low: ends[0], high: ends[1], ticks: [-1, 0, 1] },
      y: { name: "a quarter turn off", low: ends[0], high: ends[1], ticks: [-1, 0, 1] },
      equal: true,
    },
  ]);
  level.rule({ y: 0 }, "limit dashdots");
  level.ends([{ y: 0, words: "edge", look: "limit" }]);
  level.line(frequencies, levelsDb, "echo");
  level.line([frequency, frequency], [LOWEST_LOOP_DB, pastDb], "text thin");
  level.marks([frequency], [pastDb], "diamond", "text");
  const around = Array.from({ length: 121 }, (_, at) => (2 * Math.PI * at) / 120);
  plane.line(around.map(Math.cos), around.map(Math.sin), "context thin dashed");
  const [along, across] = [0, 1].map((part) => turn.map((/** @type {number[]} */ tip) => tip[part]));
  plane.line(along, across, "echo");
  plane.arrow(0, 0, dbToAmplitude(pastDb), 0, "text");
  plane.marks([dbToAmplitude(pastDb)], [0], "diamond", "text");
  plane.marks([1], [0], "cross", "limit");
}
