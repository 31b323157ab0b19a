// Charts as shapes: a panel says what is where in its own units, and gets nodes of an SVG or its text.
// All sizes are in pixels of the picture. A look is a role of color and a way to draw.

/** Narrower than this, charts stand below each other. */
const NARROW = 560;
/** A letter's width over the type's size, for the room that words take before there is type. */
const LETTER = 0.56;
/** How much wider the type may be that stands in where ours is not there. */
const WIDE_TYPE = 1.15;
/** The space before a unit, where no line ends. */
const UNITS = new RegExp("(?<=\\d) (?=(?:ms|s|min|h|Hz|kHz|dB|dBu|dB\\(A\\)|mm|cm/s|ips|in|m|%|bpm|V|mV"
  + "|nWb/m|nWb|\u00B5m)(?!\\w))", "g");
/** Where words stand at a point: along and down, in their size, and the share that is left of there. */
const PLACES_OF_WORDS = {
  above: [0, -0.6, 0.5], below: [0, 1.3, 0.5], middle: [0, 0.35, 0.5],
  left: [-0.6, 0.35, 1], right: [0.6, 0.35, 0],
};

/**
 * @typedef {{name?: string, low: number, high: number, log?: boolean, ticks?: number[], words?: string[],
 *   grid?: boolean}} Side
 * @typedef {{x: Side, y: Side, equal?: boolean, ends?: string[], title?: string}} ChartOptions
 * @typedef {{tag: string, given: Record<string, string | number>, words?: string}} Shape
 * @typedef {{x: number, y: number, width: number, height: number}} Box
 * @typedef {{x: number, y: number, right: number, foot: number}} Frame
 */

/**
 * Mirrors tapecalc.plot.templates.typeset.
 * @param {string} text
 */
export function setInType(text) {
  return text.replace(/(?<![\w.])-(?=\d)/g, "\u2212").replaceAll("+/- ", "\u00B1\u00A0")
    .replaceAll("+/-", "\u00B1").replace(UNITS, "\u00A0");
}

/**
 * Room that words take.
 * @param {string} words @param {number} size
 */
export function wordsWidth(words, size) {
  return words.length * size * LETTER;
}

/**
 * @param {[number, string][]} ticks @param {number} size
 */
function widestWords(ticks, size) {
  return Math.max(...ticks.map(([, words]) => wordsWidth(words, size)), 0);
}

/**
 * A tenth of a pixel.
 * @param {number} value
 */
function tenth(value) {
  return Math.round(value * 10) / 10;
}

/**
 * Round numbers between two ends, about so many.
 * @param {number} low @param {number} high @param {number} [most]
 * @returns {number[]}
 */
export function evenTicks(low, high, most = 6) {
  const rough = (high - low) / most;
  const size = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((one) => one * size).find((one) => one >= rough * (1 - 1e-9)) ?? rough;
  const ticks = [];
  for (let k = Math.ceil(low / step - 1e-9); k <= high / step + 1e-9; k += 1) {
    ticks.push(Number((k * step).toPrecision(12)));
  }
  return ticks;
}

/**
 * Ones, twos and fives of each decade, or ones only where there are many decades.
 * @param {number} low @param {number} high
 */
export function decadeTicks(low, high) {
  const heads = high / low > 150 ? [1] : [1, 2, 5];
  const ticks = [];
  for (let k = Math.floor(Math.log10(low)); k <= Math.ceil(Math.log10(high)); k += 1) {
    ticks.push(...heads.map((head) => Number((head * 10 ** k).toPrecision(6))));
  }
  return ticks.filter((tick) => tick >= low * (1 - 1e-9) && tick <= high * (1 + 1e-9));
}

/**
 * A number at a tick: thousands as k.
 * @param {number} value @param {boolean} log
 */
function tickWords(value, log) {
  if (log && value >= 1000) return `${value / 1000}k`;
  return String(value);
}

/** One picture: charts in it, and the shapes of them all. */
export class Picture {
  /**
   * @param {{width: number, height: number, text?: number, line?: number}} size in px
   */
  constructor({ width, height, text = 14, line = 2.2 }) {
    this.width = width;
    this.height = height;
    this.text = text;
    this.line = line;
    this.narrow = width < NARROW * (text / 14);
    /** @type {Shape[]} */
    this.shapes = [];
    /** @type {Frame[]} */
    this.frames = [];
  }

  /**
   * @param {ChartOptions} options
   */
  axes(options) {
    return this.#chart({ x: 0, y: 0, width: this.width, height: this.height }, options);
  }

  /**
   * Charts side by side, or below each other where it is narrow.
   * @param {number[]} shares @param {ChartOptions[]} options
   */
  beside(shares, options) {
    if (this.narrow) return this.below(shares, options);
    return this.#row(shares, options, "x", "width");
  }

  /**
   * @param {number[]} shares @param {ChartOptions[]} options
   */
  below(shares, options) {
    return this.#row(shares, options, "y", "height");
  }

  /**
   * @param {number[]} shares @param {ChartOptions[]} options @param {"x" | "y"} side
   * @param {"width" | "height"} size
   */
  #row(shares, options, side, size) {
    const all = shares.reduce((sum, share) => sum + share, 0);
    // Charts below each other have one left edge, so that a time stands below the same time.
    const widths = options.map((one) => widestWords(ticksOf(one.y, 6), this.text));
    const widest = side === "y" ? Math.max(...widths) : 0;
    const gap = this.text;
    let at = 0;
    return options.map((one, k) => {
      const box = { x: 0, y: 0, width: this.width, height: this.height };
      box[size] = ((this[size] - gap * (shares.length - 1)) * shares[k]) / all;
      box[side] = at;
      at += box[size] + gap;
      return this.#chart(box, one, widest);
    });
  }

  /**
   * @param {Box} box @param {ChartOptions} options @param {number} [widest]
   */
  #chart(box, options, widest = 0) {
    const axes = new Axes(this, box, options, widest);
    this.frames.push(axes.frame);
    return axes;
  }

  /**
   * @param {string} tag @param {Record<string, string | number>} given @param {string} [words]
   */
  put(tag, given, words) {
    for (const key in given) {
      const value = given[key];
      if (typeof value === "number") given[key] = tenth(value);
    }
    this.shapes.push({ tag, given, words });
  }

  /**
   * Words at a place of the picture, px.
   * @param {number} x @param {number} y @param {string} words @param {string} look
   * @param {"start" | "middle" | "end"} [anchor]
   */
  words(x, y, words, look, anchor = "start") {
    this.put("text", { x, y, class: look, "text-anchor": anchor }, setInType(words));
  }
}

/** One chart: a frame, two sides with ticks, and what is drawn inside. */
export class Axes {
  /**
   * @param {Picture} picture @param {Box} box @param {ChartOptions} options
   * @param {number} widest the words beside charts above and below, px
   */
  constructor(picture, box, options, widest) {
    this.picture = picture;
    this.x = options.x;
    this.y = options.y;
    const size = picture.text;
    /** @type {Record<"x" | "y", [number, string][]>} */
    this.ticks = { x: ticksOf(options.x, picture.narrow ? 5 : 7), y: ticksOf(options.y, 6) };
    this.widest = this.ticks.y.length ? Math.max(widest, widestWords(this.ticks.y, size)) : 0;
    const named = Math.max(...(options.ends ?? [""]).map((words) => wordsWidth(words, size)));
    const right = Math.max(WIDE_TYPE * named + size * 0.8,
      ((this.ticks.x.at(-1)?.[1] ?? "").length * size * LETTER) / 2);
    const top = size * (options.y.name || options.title ? 1.9 : 0.8);
    const bottom = size * ((this.ticks.x.length ? 1.65 : 0.4) + (options.x.name ? 1.4 : 0));
    const left = this.widest + size * (this.ticks.y.length ? 0.7 : 0.3);
    const [x, y] = [box.x + left, box.y + top];
    /** @type {Frame} */
    this.frame = { x, y, right: box.x + box.width - right, foot: box.y + box.height - bottom };
    if (options.equal) this.#makeEqual();
    this.#drawFrame(options.title);
  }

  /** Make a unit as long upward as it is along. */
  #makeEqual() {
    const [along, upward] = [this.x.high - this.x.low, this.y.high - this.y.low];
    const { x, y, right, foot } = this.frame;
    const unit = Math.min((right - x) / along, (foot - y) / upward);
    const [sides, ends] = [(right - x - unit * along) / 2, (foot - y - unit * upward) / 2];
    this.frame = { x: x + sides, y: y + ends, right: right - sides, foot: foot - ends };
  }

  /**
   * @param {string} [title]
   */
  #drawFrame(title) {
    const { picture, frame, x, y } = this;
    const size = picture.text;
    const { foot, right } = frame;
    for (const [tick, words] of this.ticks.x) {
      const at = this.px(tick);
      if (x.grid !== false) this.#way([at, frame.y, at, foot], "grid");
      picture.words(at, foot + size * 1.3, words, "tick", "middle");
    }
    for (const [tick, words] of this.ticks.y) {
      const at = this.py(tick);
      if (y.grid !== false) this.#way([frame.x, at, right, at], "grid");
      picture.words(frame.x - size * 0.45, at + size * 0.35, words, "tick", "end");
    }
    this.#way([frame.x, foot, right, foot], "frame");
    if (x.name) picture.words((frame.x + right) / 2, foot + size * 2.65, x.name, "side", "middle");
    const over = [title, y.name].filter(Boolean).join(": ");
    if (over) picture.words(frame.x - this.widest - size * 0.45, frame.y - size * 0.8, over, "side", "start");
  }

  /**
   * Where a value of x is in the picture, px.
   * @param {number} value
   */
  px(value) {
    return this.frame.x + (this.frame.right - this.frame.x) * share(this.x, value);
  }

  /**
   * @param {number} value
   */
  py(value) {
    return this.frame.foot + (this.frame.y - this.frame.foot) * share(this.y, value);
  }

  /**
   * @param {number[]} points px @param {string} look
   */
  #way(points, look) {
    let way = `M${tenth(points[0])} ${tenth(points[1])}`;
    for (let k = 2; k < points.length; k += 2) way += `L${tenth(points[k])} ${tenth(points[k + 1])}`;
    this.picture.put("path", { d: way, class: look });
  }

  /**
   * A line through points, cut at the frame; it breaks where a number is not finite.
   * @param {ArrayLike<number>} xs @param {ArrayLike<number>} ys @param {string} look
   *   with "steps" each height stays until the next
   */
  line(xs, ys, look) {
    const steps = / steps\b/.test(` ${look}`);
    /** @type {number[][]} */
    const pieces = [[]];
    for (let k = 0; k < xs.length; k += 1) {
      const piece = pieces[pieces.length - 1];
      if (!Number.isFinite(xs[k]) || !Number.isFinite(ys[k])) {
        if (piece.length) pieces.push([]);
        continue;
      }
      if (steps && piece.length) piece.push(this.px(xs[k]), piece[piece.length - 1]);
      piece.push(this.px(xs[k]), this.py(ys[k]));
    }
    const way = pieces.flatMap((piece) => cut(piece, this.frame)).map(wayOf).join("");
    this.picture.put("path", { d: way, class: `line ${look}` });
  }

  /**
   * Marks at points inside the frame.
   * @param {ArrayLike<number>} xs @param {ArrayLike<number>} ys
   * @param {"dot" | "ring" | "square" | "diamond" | "triangle" | "cross"} mark @param {string} look
   */
  marks(xs, ys, mark, look) {
    const size = this.picture.line * 1.9;
    let way = "";
    for (let k = 0; k < xs.length; k += 1) {
      const [x, y] = [this.px(xs[k]), this.py(ys[k])];
      if (inside(x, y, this.frame, 1)) way += markWay(mark, x, y, size);
    }
    this.picture.put("path", { d: way, class: `mark ${mark} ${look}` });
  }

  /**
   * Upright strokes.
   * @param {ArrayLike<number>} xs @param {number} from @param {ArrayLike<number>} ys @param {string} look
   */
  strokes(xs, from, ys, look) {
    let way = "";
    for (let k = 0; k < xs.length; k += 1) {
      const x = this.px(xs[k]);
      const ends = [this.#held(this.py(from)), this.#held(this.py(ys[k]))];
      if (inside(x, ends[0], this.frame, 1)) way += `M${tenth(x)} ${tenth(ends[0])}V${tenth(ends[1])}`;
    }
    this.picture.put("path", { d: way, class: `line ${look}` });
  }

  /**
   * Keep a height within the frame.
   * @param {number} y px
   */
  #held(y) {
    return Math.min(Math.max(y, this.frame.y), this.frame.foot);
  }

  /**
   * A stretch of x.
   * @param {number} from @param {number} to @param {string} [look]
   */
  shade(from, to, look = "fill") {
    this.#block(this.px(from), this.px(to), this.frame.y, this.frame.foot, look);
  }

  /**
   * A stretch of y.
   * @param {number} from @param {number} to @param {string} [look]
   */
  band(from, to, look = "fill") {
    this.#block(this.frame.x, this.frame.right, this.py(from), this.py(to), look);
  }

  /**
   * @param {number} x @param {number} from @param {number} to @param {number} width
   * @param {string} look all in data units
   */
  bar(x, from, to, width, look) {
    this.#block(this.px(x - width / 2), this.px(x + width / 2), this.py(from), this.py(to), look);
  }

  /**
   * @param {number} x0 @param {number} x1 @param {number} y0 @param {number} y1 @param {string} look
   */
  #block(x0, x1, y0, y1, look) {
    const { frame } = this;
    const held = (/** @type {number} */ x) => Math.min(Math.max(x, frame.x), frame.right);
    const [left, right] = [held(Math.min(x0, x1)), held(Math.max(x0, x1))];
    const [top, foot] = [this.#held(Math.min(y0, y1)), this.#held(Math.max(y0, y1))];
    if (right > left && foot > top) {
      const box = { x: left, y: top, width: right - left, height: foot - top };
      this.picture.put("rect", { ...box, class: `area ${look}` });
    }
  }

  /**
   * Between two curves.
   * @param {ArrayLike<number>} xs @param {ArrayLike<number>} lows @param {ArrayLike<number>} highs
   * @param {string} look
   */
  area(xs, lows, highs, look) {
    const there = [];
    const back = [];
    for (let k = 0; k < xs.length; k += 1) {
      there.push(this.px(xs[k]), this.#held(this.py(lows[k])));
      back.unshift(this.px(xs[k]), this.#held(this.py(highs[k])));
    }
    this.picture.put("path", { d: `${wayOf([...there, ...back])}Z`, class: `area ${look}` });
  }

  /**
   * A line across the whole chart.
   * @param {{x?: number, y?: number}} place @param {string} look
   */
  rule({ x, y }, look) {
    const { frame } = this;
    const at = x === undefined ? this.py(/** @type {number} */ (y)) : this.px(x);
    const ends = x === undefined ? [frame.x, at, frame.right, at] : [at, frame.y, at, frame.foot];
    if (inside(ends[0], ends[1], frame, 1)) this.#way(ends, `line ${look}`);
  }

  /**
   * @param {number} x0 @param {number} y0 @param {number} x1 @param {number} y1 @param {string} look
   */
  arrow(x0, y0, x1, y1, look) {
    const [ax, ay, bx, by] = [this.px(x0), this.py(y0), this.px(x1), this.py(y1)];
    const long = Math.hypot(bx - ax, by - ay);
    if (!(long > 0)) return;
    const size = Math.min(this.picture.line * 4.5, long);
    const [ux, uy] = [(bx - ax) / long, (by - ay) / long];
    const [fx, fy] = [bx - ux * size, by - uy * size];
    this.#way([ax, ay, fx, fy], `line ${look}`);
    const half = size * 0.4;
    const head = [bx, by, fx - uy * half, fy + ux * half, fx + uy * half, fy - ux * half];
    this.picture.put("path", { d: `${wayOf(head)}Z`, class: `area ${look}` });
  }

  /**
   * Words at a point, kept inside the frame.
   * @param {number} x @param {number} y @param {string} words @param {string} look
   * @param {"above" | "below" | "left" | "right" | "middle"} [place]
   */
  label(x, y, words, look, place = "above") {
    const { frame, picture } = this;
    const size = picture.text;
    const width = wordsWidth(words, size);
    const [along, down, part] = PLACES_OF_WORDS[place];
    const left = this.px(x) + along * size - part * width;
    const foot = this.py(y) + down * size;
    picture.words(
      Math.max(Math.min(left, frame.right - width), frame.x) + part * width,
      Math.max(Math.min(foot, frame.foot - size * 0.3), frame.y + size),
      words, `label ${look}`, part === 1 ? "end" : part === 0 ? "start" : "middle",
    );
  }

  /**
   * Names at the right end of lines, spread so that none touch.
   * @param {{y: number, words: string, look: string}[]} names
   */
  ends(names) {
    const { frame, picture } = this;
    const step = picture.text * 1.2;
    const sorted = names.filter(({ y }) => Number.isFinite(y))
      .map((one) => ({ ...one, at: this.#held(this.py(one.y)) })).sort((one, other) => one.at - other.at);
    for (let k = 1; k < sorted.length; k += 1) sorted[k].at = Math.max(sorted[k].at, sorted[k - 1].at + step);
    let most = frame.foot;
    for (let k = sorted.length - 1; k >= 0; k -= 1) {
      sorted[k].at = Math.min(sorted[k].at, most);
      most = sorted[k].at - step;
    }
    for (const { at, words, look } of sorted) {
      const size = picture.text;
      picture.words(frame.right + size * 0.5, at + size * 0.35, words, `label ${look}`);
    }
  }
}

/**
 * @param {Side} side @param {number} value
 */
function share({ low, high, log }, value) {
  return log ? Math.log(value / low) / Math.log(high / low) : (value - low) / (high - low);
}

/**
 * @param {Side} side @param {number} most @returns {[number, string][]}
 */
function ticksOf({ low, high, log = false, ticks, words }, most) {
  const found = ticks ?? (log ? decadeTicks(low, high) : evenTicks(low, high, most));
  return found.map((tick, k) => [tick, words ? words[k] : tickWords(tick, log)]);
}

/**
 * @param {number} x @param {number} y @param {Frame} frame @param {number} more px
 */
function inside(x, y, frame, more) {
  return x >= frame.x - more && x <= frame.right + more && y >= frame.y - more && y <= frame.foot + more;
}

/**
 * @param {number[]} points x, y, x, y ...
 */
function wayOf(points) {
  if (!points.length) return "";
  let way = `M${tenth(points[0])} ${tenth(points[1])}`;
  for (let k = 2; k < points.length; k += 2) way += `L${tenth(points[k])} ${tenth(points[k + 1])}`;
  return way;
}

/**
 * Cut a line at a frame, into the pieces that are inside.
 * @param {number[]} points x, y, x, y ... @param {Frame} frame
 * @returns {number[][]}
 */
export function cut(points, frame) {
  /** @type {number[][]} */
  const pieces = [];
  /** @type {number[]} */
  let piece = [];
  for (let k = 2; k < points.length; k += 2) {
    const kept = cutStretch(points[k - 2], points[k - 1], points[k], points[k + 1], frame);
    if (!kept) {
      piece = [];
      continue;
    }
    const [ax, ay, bx, by] = kept;
    const goesOn = piece.length && piece[piece.length - 2] === ax && piece[piece.length - 1] === ay;
    if (goesOn) piece.push(bx, by);
    else pieces.push(piece = [ax, ay, bx, by]);
  }
  return pieces;
}

/**
 * The part of a stretch that is in a frame.
 * Source: Y. Liang, B. Barsky, ACM Trans. Graphics 3, 1984 (from memory).
 * @param {number} ax @param {number} ay @param {number} bx @param {number} by @param {Frame} frame
 * @returns {[number, number, number, number] | null}
 */
function cutStretch(ax, ay, bx, by, { x, y, right, foot }) {
  let [from, to] = [0, 1];
  const [dx, dy] = [bx - ax, by - ay];
  for (const [slope, room] of [[-dx, ax - x], [dx, right - ax], [-dy, ay - y], [dy, foot - ay]]) {
    if (slope === 0) {
      if (room < 0) return null;
    } else if (slope < 0) from = Math.max(from, room / slope);
    else to = Math.min(to, room / slope);
  }
  if (from > to) return null;
  const whole = to === 1 ? [bx, by] : [ax + to * dx, ay + to * dy];
  return from === 0 ? [ax, ay, whole[0], whole[1]] : [ax + from * dx, ay + from * dy, whole[0], whole[1]];
}

/**
 * @param {string} mark @param {number} x @param {number} y @param {number} r px
 */
function markWay(mark, x, y, r) {
  const points = {
    square: [-1, -1, 1, -1, 1, 1, -1, 1],
    diamond: [0, -1.4, 1.4, 0, 0, 1.4, -1.4, 0],
    triangle: [0, -1.3, 1.25, 1, -1.25, 1],
  }[mark];
  if (points) return `${wayOf(points.map((one, k) => one * r + (k % 2 ? y : x)))}Z`;
  if (mark === "cross") return wayOf([x - r, y - r, x + r, y + r]) + wayOf([x - r, y + r, x + r, y - r]);
  const round = `a${tenth(r)} ${tenth(r)} 0 1 0 `;
  return `M${tenth(x - r)} ${tenth(y)}${round}${tenth(2 * r)} 0${round}${-tenth(2 * r)} 0Z`;
}

const ESCAPES = { "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" };

/**
 * @param {string | number} text
 */
function escaped(text) {
  return String(text).replace(/[&<>"]/g, (sign) => ESCAPES[/** @type {"&"} */ (sign)]);
}

/**
 * A picture as the text of an SVG that stands alone.
 * @param {Picture} picture @param {{title: string, alt: string, style: string}} told
 */
export function svgText(picture, { title, alt, style }) {
  const { width, height, text, line, shapes } = picture;
  const head = `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 ${width} ${height}" width="${width}" `
    + `height="${height}" style="--text:${text}px;--wide:${line}px" class="chart" role="img" lang="en">`;
  const body = shapes.map(({ tag, given, words }) => {
    const attributes = Object.entries(given).map(([name, value]) => ` ${name}="${escaped(value)}"`).join("");
    return words === undefined ? `<${tag}${attributes}/>` : `<${tag}${attributes}>${escaped(words)}</${tag}>`;
  });
  return [head, `<title>${escaped(title)}</title>`, `<desc>${escaped(alt)}</desc>`, `<style>${style}</style>`,
    ...body, "</svg>\n"].join("\n");
}
