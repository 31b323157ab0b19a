/** Short moves to try: a question, what to do, what to expect, and the setting from which it starts. */

import { headDelays, marginDb, nearestFit, speedFromIps } from "./formulas.mjs";
import { USUAL_HEAD } from "./setting.mjs";
import { figure, lengthWords, speedWords, timeWords } from "./telling.mjs";

/**
 * @typedef {{title: string, todo: string, expect: string, setting: any}} Move
 */

/**
 * The file's setting with changes.
 * @param {any} facts
 * @param {any} changes
 */
function from(facts, changes, head = {}) {
  const { setting } = facts;
  const [first, ...others] = setting.heads;
  return { ...setting, ...changes, heads: [{ ...first, on: true, ...head }, ...others] };
}

/**
 * A place for a head that can be there.
 * @param {any} facts
 * @param {number} mm
 */
function reached(facts, mm) {
  return Math.round(10 * Math.min(facts.most_mm, Math.max(facts.least_mm, mm))) / 10;
}

/**
 * A return send that leaves so much to the limit.
 * @param {any} facts
 * @param {any} setting
 * @param {number} belowDb
 */
function sendBelowLimit(facts, setting, belowDb) {
  const limit = setting.return_send_db + marginDb(facts, setting);
  return Math.round(10 * Math.min(6, Math.max(-40, limit - belowDb))) / 10;
}

/** @param {any} facts */
function twiceAsFar(facts) {
  const near = reached(facts, Math.min(facts.setting.heads[0].spacing_mm, facts.most_mm / 2));
  const setting = from(facts, {}, { spacing_mm: near });
  const [delay] = headDelays(facts, setting);
  return {
    title: "Twice as far: how much later?",
    todo: `Press play and drag head 1 from ${lengthWords(near)} to ${lengthWords(2 * near)}.`,
    expect: `The echo comes twice as late, after about ${timeWords(2 * delay)}: the delay is the way `
      + "divided by the speed. While the head moves along with the tape it plays the tape more slowly, so "
      + "the pitch falls, at most by an octave here; when the head comes back it rises, at most by a "
      + "fifth. Let go, and the pitch is right again.",
    setting,
  };
}

/** @param {any} facts */
function slower(facts) {
  const [low, high] = facts.speed_range_ips ?? [
    Math.min(...facts.speeds.map((/** @type {any} */ one) => one.speed_ips)),
      Math.max(...facts.speeds.map((/** @type {any} */ one) => one.speed_ips)),
  ];
  if (high < low * 1.2) return null;
  const end = Math.max(low, high / 2);
  const goal = facts.speed_range_ips ? end
    : closest(facts.speeds.map((/** @type {any} */ one) => one.speed_ips), high / 2);
  const ratio = high / goal;
  const half = Math.abs(ratio - 2) < 0.01;
  return {
    title: half ? "Half the speed: what happens to the pitch while it changes?"
      : "Slower: what happens to the pitch while it changes?",
    todo: `Press play and listen, then set the speed from ${speedWords(facts, high)} to `
      + `${speedWords(facts, goal)}.`,
    expect: `While the tape slows down, in ${figure(facts.ramp_s, 1)} s, the echo sinks: what is on `
      + "the tape was recorded faster than it is played, and the pitch follows speed now over speed then. "
      + "Once the tape that was recorded on the way has passed, the pitch is right again, and the delay is "
      + `${half ? "twice" : `${figure(ratio, 1)} times`} as long.`,
    setting: from(facts, { speed_ips: high }),
  };
}

/**
 * The speed that is nearest to a wished one but not the fastest.
 * @param {any} speeds
 * @param {number} wanted
 */
function closest(speeds, wanted) {
  const rest = speeds.filter((/** @type {any} */ one) => one < Math.max(...speeds));
  return rest.reduce((/** @type {any} */ best, /** @type {any} */ one) =>
    (Math.abs(Math.log(one / wanted)) < Math.abs(Math.log(best / wanted)) ? one : best));
}

/** @param {any} facts */
function onTheBeat(facts) {
  const setting = from(facts, { input: "clicks" });
  const plain = facts.notes.filter((/** @type {any} */ one) => one.plain);
  const fit = nearestFit(headDelays(facts, setting)[0], setting.bpm, plain, facts.threshold_s);
  const { note, wanted } = fit;
  const heard = fit.threshold;
  const at = reached(facts, 1000 * speedFromIps(setting.speed_ips) * (wanted + 4 * heard));
  return {
    title: "In time: how near is near enough?",
    todo: `Press play: clicks at ${figure(setting.bpm)} beats a minute. Drag head 1 until the mark `
      + `of the ${note} lights up.`,
    expect: `The mark lights when the echo is within ${timeWords(heard)} of the note: nearer than `
      + "that, ears tell no difference. Change the tempo and the marks move, the head does not.",
    setting: from(facts, { input: "clicks", note }, { spacing_mm: at }),
  };
}

/** @param {any} facts */
function howLong(facts) {
  const setting = from(facts, {});
  const send = sendBelowLimit(facts, setting, 14);
  return {
    title: "How long does it ring?",
    todo: "Press play and move the return send slowly toward the dash-dotted limit, but not past "
      + "it.",
    expect: "The nearer the limit, the more repeats: each is softer than the one before by what is "
      + "lost once around the loop. Beyond the limit a tone may grow by itself, from pass to pass, until "
      + "the tape can hold no more.",
    setting: { ...setting, return_send_db: send },
  };
}

/** @param {any} facts */
function darker(facts) {
  const setting = from(facts, {});
  return {
    title: "Why does each repeat sound darker?",
    todo: "Press play, open \u201cTape and mixer\u201d and switch the tone of a pass off and on.",
    expect: "With it on, every repeat has been recorded and played once more than the one before, "
      + "and each pass takes some treble and some bass. With it off, the repeats get softer and keep their "
      + "tone.",
    setting: { ...setting, return_send_db: sendBelowLimit(facts, setting, 4), response: true },
  };
}

/** @param {any} facts */
function secondHead(facts) {
  const { heads } = facts.setting;
  const first = reached(facts, Math.min(heads[0].spacing_mm, facts.most_mm / 1.5));
  const second = reached(facts, first * 1.5);
  const others = heads.slice(1).map((/** @type {any} */ head, /** @type {number} */ k) =>
    (k ? { ...head, on: false } : { ...head, on: true, spacing_mm: second }));
  const setting = from(facts, {}, { spacing_mm: first });
  setting.heads = [setting.heads[0], ...(others.length ? others : [{ ...USUAL_HEAD, spacing_mm: second }])];
  setting.return_send_db = sendBelowLimit(facts, { ...setting, return_send_db: 0 }, 8);
  return {
    title: "Two heads: which rhythm do they make?",
    todo: "Press play with head 2 half as far again as head 1, then drag head 2.",
    expect: "Each sound is answered twice, by head 1 and, half a delay later, by head 2. Both "
      + "answers go back onto the tape and are answered twice again: at two delays, at two and a half, and "
      + "at three.",
    setting,
  };
}

/** @param {any} facts */
function onlyTheEcho(facts) {
  return {
    title: "What if only the echo is heard?",
    todo: "Press play and turn the dry sound off.",
    expect: "The tape still gets your sound, and nothing on it changes; you hear only what the "
      + "playback heads read.",
    setting: from(facts, {}),
  };
}

/**
 * List the moves that a machine can make, six at most.
 * @param {any} facts
 * @returns {Move[]}
 */
export function movesFor(facts) {
  const made = [twiceAsFar, slower, onTheBeat, howLong, darker, secondHead, onlyTheEcho]
    .map((make) => make(facts));
  return made.flatMap((move) => (move === null ? [] : [move])).slice(0, 6);
}
