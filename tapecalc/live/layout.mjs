/** Where everything stands in the picture of the tape, from its width and what is on it. Pixels and mm. */

/** From the erase to the record head, mm: usual, and with little room. Common practice, no source. */
const ERASE_MM = 28;
const ERASE_NEAR_MM = 18;
/** A picture narrower than this is put together in another way. */
const NARROW = 640;
/** How much of the tape is shown, mm. */
const SPANS_MM = [40, 50, 60, 80, 100, 120, 150, 200, 250, 300, 400, 500, 600, 800, 1000, 1200, 1600, 2000];
/** Beyond the farthest head this share of the ruler stays free. */
const BEYOND = 1.22;
/** With more heads than that names have to make room for them. */
const MANY = 3;
/** How far the middles of two grips must be apart to be told apart by a finger. */
const APART = 60;
const APART_NEAR = 55;
/** How far a grip may stand from its head before less is said, so that more fits over the heads. */
const FAN_FULL = 0.16; // of the width
const FAN = 130;
const APART_IN_ROWS = 44;

/**
 * Choose how much of the tape is shown so that the farthest head is on it.
 * @param {number} farthestMm
 * @returns {number}
 */
export function spanOf(farthestMm) {
  const needed = farthestMm * BEYOND;
  return SPANS_MM.find((span) => span >= needed) ?? Math.ceil(needed / 1000) * 1000;
}

/**
 * Move places apart, as little as can be, in their order and within an interval.
 * @param {number[]} wanted in any order
 * @param {number} apart
 * @param {number} low
 * @param {number} high
 * @returns {number[]} in the order of `wanted`
 */
export function spreadOut(wanted, apart, low, high) {
  const order = wanted.map((_, k) => k).sort((a, b) => wanted[a] - wanted[b] || a - b);
  const step = Math.min(apart, (high - low) / Math.max(1, wanted.length - 1));
  /** @type {{sum: number, count: number}[]} */
  const blocks = [];
  order.forEach((k, rank) => {
    blocks.push({ sum: wanted[k] - rank * step, count: 1 });
    while (blocks.length > 1) {
      const last = blocks[blocks.length - 1];
      const before = blocks[blocks.length - 2];
      if (before.sum / before.count <= last.sum / last.count) break;
      blocks.pop();
      before.sum += last.sum;
      before.count += last.count;
    }
  });
  const placed = new Array(wanted.length);
  const top = high - (wanted.length - 1) * step;
  let rank = 0;
  for (const block of blocks) {
    const place = Math.min(top, Math.max(low, block.sum / block.count));
    for (let n = 0; n < block.count; n += 1, rank += 1) placed[order[rank]] = place + rank * step;
  }
  return placed;
}

/**
 * Choose the step between marks: 1, 2 or 5 times a power of ten.
 * @param {number} range in the unit of the marks
 * @param {number} most how many marks there may be
 * @returns {number}
 */
export function stepOf(range, most) {
  const rough = range / most;
  const power = 10 ** Math.floor(Math.log10(rough));
  return power * ([1, 2, 5, 10].find((times) => times * power >= rough * 0.999) ?? 10);
}

/**
 * Work out the whole composition.
 * @param {object} given
 * @param {number} given.width
 * @param {number} given.spanMm
 * @param {number[]} given.spacingsMm
 * @param {number} given.headMm
 * @param {boolean} given.loop whether the tape is a closed loop
 * @param {number} given.labelWidth of the widest label of a head
 * @param {number} [given.tightWidth] of the widest that is shown now, with less said of what is in time
 * @param {number} given.nameWidth of the name of the record head
 */
export function composition({ width, spanMm, spacingsMm, headMm, loop, labelWidth, tightWidth = labelWidth,
  nameWidth }) {
  const narrow = width < NARROW;
  const count = spacingsMm.length;
  const pack = narrow ? 40 : 62;
  const edge = narrow ? (loop ? 30 : 12) : 2 * pack + 16;
  const right = narrow ? (loop ? 66 : 58) : 2 * pack + 76;
  const eraseMm = Math.max(narrow ? ERASE_NEAR_MM : ERASE_MM, headMm + 4);
  const beforeMm = eraseMm + headMm;
  let scale = (width - edge - right) / (spanMm + beforeMm);
  let zero = edge + beforeMm * scale;
  const least = narrow ? (count > MANY ? (loop ? 92 : 88) : 106) : edge + 60;
  if (zero < least) {
    zero = least; // a blank piece of tape more, so that names find room
    scale = (width - zero - right) / spanMm;
  }
  const x = (/** @type {number} */ mm) => zero + mm * scale;
  const grips = gripPlaces({ width, zero, nameWidth, narrow, labelWidth, tightWidth,
    at: spacingsMm.map(x) });

  const bus = narrow ? 66 : 56;
  const rows = grips.kind === "rows";
  const collector = bus + (rows ? 58 : 42);
  const out = collector + 26;
  const handle = out + (grips.kind === "full" ? 70 : 44);
  const lower = handle + (rows ? 44 + 26 : 0);
  const body = lower + 44 + (rows ? 34 : 22);
  const tape = body + (narrow ? 32 : 40);
  const thick = narrow ? 30 : 34;
  const ruler = tape + thick;
  const rulerThick = 54;
  const names = ruler + rulerThick + 24;
  const under = names + 20; // a row for what the colors mean, where the tape has no room for it
  const low = narrow ? under : names;
  const back = loop ? low + 44 - (narrow ? 6 : 0) : low;
  return {
    width, narrow, count, scale, zero, x, spanMm, eraseMm, headMm, loop, pack, edge,
    end: x(spanMm), right: width - right,
    bus, collector, out, sum: rows ? bus : narrow ? lower + 14 : out + 32, handle, lower, body, tape,
      thick, ruler, rulerThick, names, under, back,
    height: back + (loop ? 22 : 14),
    grips,
    send: sendPlace(width, zero, narrow),
    world: rows ? 14 : narrow ? 8 : 32,
  };
}

/**
 * Where the slider of the return send lies: its track, and the frame around it at which wires end.
 * @param {number} width
 * @param {number} zero
 * @param {any} narrow
 */
function sendPlace(width, zero, narrow) {
  const around = 18;
  const low = zero + around + (narrow ? 10 : 30);
  const high = narrow ? width - 28 - around : Math.min(low + 460, width - 60);
  return { low, high, left: low - around, right: high + around, corner: high + around + 14 };
}

/**
 * Where the grips of the heads stand: over their heads, or fanned out, in two rows if need be.
 * "full" has three lines of words over each, with less said where it is tight, "short" the delay alone, and
 * "rows" the delay in two rows.
 * @param {any} given
 */
function gripPlaces({ width, zero, nameWidth, narrow, labelWidth, tightWidth, at }) {
  const low = zero + (narrow ? 42 : nameWidth + 44);
  const high = width - (narrow ? 30 : 40);
  const count = at.length;
  const full = (/** @type {number} */ wide, /** @type {boolean} */ tight) => ({ kind: "full", tight,
    apart: Math.max(APART, wide + 14), low: Math.max(low, zero + wide / 2 + 8),
    high: Math.min(high, width - wide / 2 - 6), away: (narrow ? 1.3 : 1) * FAN_FULL * width });
  const kinds = [
    { ...full(labelWidth, false), away: 1 }, // rather less said than a bent neck
    full(tightWidth, true),
    { kind: "short", apart: APART, low, high: width - 30, away: FAN },
    { kind: "short", apart: APART_NEAR, low, high: width - 30, away: FAN },
    { kind: "rows", apart: APART_IN_ROWS, low: zero + 32, high: width - 28, away: width },
    { kind: "rows", apart: APART_IN_ROWS, low: 28, high: width - 28, away: width },
  ];
  const spreads = kinds.map((one) => (
    { tight: false, ...one, middles: spreadOut(at, one.apart, one.low, one.high) }));
  const fits = spreads.find((one) => (count - 1) * one.apart <= one.high - one.low
    && one.middles.every((middle, k) => Math.abs(middle - at[k]) <= one.away)) ?? spreads[spreads.length - 1];
  const { middles } = fits;
  const rank = middles.map((_, k) => k).sort((a, b) => middles[a] - middles[b]);
  const row = new Array(count).fill(0);
  if (fits.kind === "rows") rank.forEach((k, n) => { row[k] = n % 2; });
  return { kind: fits.kind, tight: fits.tight, middles, row, half: halfOf(fits.kind, fits.apart) };
}

/**
 * Half the width of a grip.
 * @param {string} kind
 * @param {number} apart
 */
function halfOf(kind, apart) {
  if (kind === "full") return 29;
  return kind === "rows" ? 22 : Math.min(26, apart / 2 - 3.5);
}
