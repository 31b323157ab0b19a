// Whether the type of a picture is large enough where it is seen.

import { fixedText, generalText, mmText } from "../live/words.mjs";
import { choice, slider } from "./control.mjs";

const ARCMIN = Math.PI / 180 / 60;
const AWAY_CM = [20, 400];
const AWAY_TICKS = [20, 50, 100, 200, 400];
const ANGLES_SEEN = [0.1, 2000]; // arcmin
const STEPS = 36; // in the picture's height; type for video is at least one of them high

/** The type of the sample, drawn to scale: lines of straight letters, in heights of a capital. */
const SAMPLE_LETTERS = [
  [[0, 1, 0.7, 1], [0.35, 1, 0.35, 0]],
  [[0, 0, 0.35, 1, 0.7, 0], [0.14, 0.4, 0.56, 0.4]],
  [[0, 0, 0, 1], [0.6, 1, 0, 0.45], [0.14, 0.56, 0.65, 0]],
  [[0.55, 1, 0, 1, 0, 0, 0.55, 0], [0, 0.52, 0.5, 0.52]],
];
const LETTER_STEP = 0.95;

/**
 * @typedef {{capital: number, least_arcmin: number, easy_arcmin: number,
 *   sizes: Record<string, {width_in: number, height_in: number, dpi: number}>}} TypeFacts
 * @typedef {{share: number, aspect: number, angle: number, angles: number[], away: number[]}} TypeFound
 */

/**
 * Mirrors tapecalc.course.figures.letter_angle.
 * @param {number} capital height of a capital over the type size
 * @param {number} share type size over the height of the picture
 * @param {number} pictureHeight @param {number} distance both in one unit
 * @returns {number} rad
 */
export function letterAngle(capital, share, pictureHeight, distance) {
  return 2 * Math.atan((capital * share * pictureHeight) / (2 * distance));
}

/**
 * Type size, picture size and distance of the eye. Source: ISO 9241-303 (from memory) for the angles.
 * @param {TypeFacts} facts `FACTS` of tapecalc/course/figures.py
 * @returns {import("./control.mjs").PanelDefinition}
 */
export function typePanel(facts) {
  const sizes = Object.keys(facts.sizes);
  return {
    name: "type_size",
    question: "What is the smallest type that a phone's viewer reads with ease?",
    legend: "One: the picture, its type to scale, and a ruler of 36 equal steps. The other: the angle of a "
      + "capital letter over the distance; dot: your setting.",
    alt: "A picture with a word of type beside a ruler of 36 steps; and a line chart of the angle of a "
      + "capital letter in arcmin over the distance of the eye in cm, both logarithmic, falling.",
    controls: [
      choice("size", "made as", sizes, sizes[0]),
      slider("text_pt", "type size", 26, { low: 6, high: 48, step: 1, unit: "pt" }),
      slider("width_cm", "picture as wide as", 14, { low: 5, high: 140, step: 1, unit: "cm" }),
      slider("distance_cm", "seen from", 30, { low: AWAY_CM[0], high: AWAY_CM[1], step: 5, unit: "cm" }),
    ],
    reckon: (values) => reckonType(facts, values),
    draw: (picture, found, values) => drawType(facts, picture, found, values),
  };
}

/**
 * @param {TypeFacts} facts @param {any} values
 * @returns {import("./control.mjs").Found}
 */
function reckonType({ capital, least_arcmin, easy_arcmin, sizes }, { size, text_pt, width_cm, distance_cm }) {
  const { width_in, height_in, dpi } = sizes[size];
  const [share, aspect] = [text_pt / 72 / height_in, width_in / height_in];
  const heightCm = width_cm / aspect;
  const away = Array.from({ length: 31 }, (_, n) => AWAY_CM[0] * (AWAY_CM[1] / AWAY_CM[0]) ** (n / 30));
  const [angle, ...angles] = [distance_cm, ...away].map(
    (cm) => letterAngle(capital, share, heightCm, cm) / ARCMIN);
  const verdict = angle >= easy_arcmin ? "easy" : angle >= least_arcmin ? "readable" : "too small";
  const shown = `${generalText(width_cm, 3)} cm of screen, ${generalText(distance_cm, 3)} cm away`;
  return {
    sentence: `Type of ${generalText(text_pt, 6)} pt is 1/${fixedText(1 / share, 0)} of the picture. On `
      + `${shown}, a capital is ${Math.floor(angle)} arcmin high: ${verdict}.`,
    rows: [
      ["type in pixels of the file",
        `${fixedText((text_pt / 72) * dpi, 0)} of ${fixedText(height_in * dpi, 0)}`],
      ["type as it is shown", mmText((heightCm / 100) * share)],
      ["easy from", `${Math.ceil((text_pt * easy_arcmin) / angle)} pt`],
    ],
    share, aspect, angle, angles, away,
  };
}

/**
 * @param {TypeFacts} facts @param {import("./chart.mjs").Picture} picture @param {TypeFound} found
 * @param {{distance_cm: number}} values
 */
function drawType(facts, picture, { share, aspect, angle, angles, away }, { distance_cm }) {
  const bare = { ticks: [], grid: false };
  const [sample, chart] = picture.beside([1, 1], [
    { x: { ...bare, low: -0.12, high: aspect }, y: { ...bare, low: 0, high: 1.01 }, equal: true },
    { x: { name: "distance (cm)", low: AWAY_CM[0], high: AWAY_CM[1], log: true, ticks: AWAY_TICKS },
      y: { name: "capital letter (arcmin)", low: ANGLES_SEEN[0], high: ANGLES_SEEN[1], log: true } },
  ]);
  sample.bar(aspect / 2, 0, 1, aspect, "fill");
  sample.line([0, aspect, aspect, 0, 0], [0, 0, 1, 1, 0], "context thin");
  const steps = Array.from({ length: STEPS + 1 }, (_, n) => n);
  const teeth = steps.flatMap((n) => [n % 6 ? -0.06 : -0.1, -0.02, NaN]);
  sample.line(teeth, steps.flatMap((n) => [n / STEPS, n / STEPS, NaN]), "context thin");
  drawSample(sample, aspect / 2, facts.capital * share);
  const named = /** @type {[number, string, "above" | "below"][]} */ (
    [[facts.easy_arcmin, "easy", "above"], [facts.least_arcmin, "least", "below"]]);
  for (const [arcmin, word, place] of named) {
    chart.rule({ y: arcmin }, "limit dashdots thin");
    chart.label(AWAY_CM[1], arcmin, `${word}: ${arcmin}`, "limit", place);
  }
  chart.line(away, angles, "echo thick");
  chart.marks([distance_cm], [angle], "dot", "echo");
  const near = distance_cm < 90;
  chart.label(distance_cm, angle * (near ? 1.4 : 1 / 1.4), `${Math.floor(angle)} arcmin`, "echo",
    near ? "right" : "left");
}

/**
 * @param {import("./chart.mjs").Axes} axes @param {number} middle @param {number} high of a capital
 */
function drawSample(axes, middle, high) {
  const [left, foot] = [middle - (SAMPLE_LETTERS.length * LETTER_STEP * high) / 2, (1 - high) / 2];
  SAMPLE_LETTERS.forEach((letter, n) => letter.forEach((line) => axes.line(
    line.filter((_, k) => k % 2 === 0).map((x) => left + high * (n * LETTER_STEP + x)),
    line.filter((_, k) => k % 2).map((y) => foot + high * y), "text thin")));
}
