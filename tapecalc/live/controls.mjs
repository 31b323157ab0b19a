/** Plain controls of a page. Each has a `node`, and `show` puts a value into it without telling anybody. */

import { element } from "./elements.mjs";

/** A button that is held begins to repeat after this time, and does so at this pace, ms. */
const HOLD_MS = 400;
const HELD_MS = 70;

let named = 0;

/**
 * Keep the keys of controls from what stands around them: a notebook takes them for its cells.
 * @param {HTMLElement} place
 */
export function keepKeys(place) {
  place.addEventListener("keydown", (event) => {
    const alone = !(event.ctrlKey || event.metaKey || event.altKey || event.shiftKey);
    if (/^(Arrow|Home|End|Page)/.test(event.key) || (event.key === "Enter" && alone)) event.stopPropagation();
  });
}

/** An id that nothing else on the page has. */
export function freshId() {
  named += 1;
  return `tape-${named}-${Math.random().toString(36).slice(2, 7)}`;
}

/**
 * A check that turns something on.
 * @param {string} name
 * @param {(on: boolean) => void} changed
 * @param {string} [spoken] a longer name for those who do not see what stands around it
 */
export function checkControl(name, changed, spoken) {
  const box = element("input", { type: "checkbox", onchange: () => changed(box.checked),
    "aria-label": spoken ?? null });
  const node = element("label", { class: "check" }, box, element("span", {}, name));
  return { node, box, show: (/** @type {boolean} */ on) => { box.checked = on; } };
}

/**
 * A slider with its name before it and its value behind it.
 * @param {object} given
 * @param {string} given.name
 * @param {string} [given.spoken] a longer name for those who do not see what stands around it
 * @param {number} given.least
 * @param {number} given.most
 * @param {number | string} given.step
 * @param {(value: number) => string} given.words
 * @param {(value: number, done: boolean) => void} changed
 */
export function rangeControl({ name, spoken, least, most, step, words }, changed) {
  const id = freshId();
  const input = element("input", {
    type: "range", id, min: least, max: most, step, "aria-label": spoken ?? null,
    oninput: () => { tell(); changed(Number(input.value), false); },
    onchange: () => changed(Number(input.value), true),
  });
  const ends = [words(least), words(most)].sort((one, other) => one.length - other.length);
  const output = element("output", { for: id, "data-longest": ends[1] }); // whose room it always has
  const tell = () => {
    output.textContent = words(Number(input.value));
    input.setAttribute("aria-valuetext", output.textContent);
  };
  const node = element("div", { class: "range" }, element("label", { for: id }, name), input, output);
  return {
    node,
    show: (/** @type {number} */ value) => {
      if (document.activeElement !== input || Number(input.value) !== value) input.value = String(value);
      tell();
    },
  };
}

/**
 * A list of which one is chosen.
 * @param {string} name
 * @param {{value: string, words: string}[]} choices
 * @param {(value: string) => void} changed
 */
export function selectControl(name, choices, changed) {
  const id = freshId();
  const list = element("select", { id, onchange: () => changed(list.value) });
  list.append(...choices.map(({ value, words }) => element("option", { value }, words)));
  const node = element("div", { class: "choice" }, element("label", { for: id }, name), list);
  return { node, list, show: (/** @type {string} */ value) => { list.value = value; } };
}

/**
 * A few buttons of which one is down.
 * @param {string} name
 * @param {{value: any, words: string}[]} choices
 * @param {(value: any) => void} changed
 */
export function radioControl(name, choices, changed) {
  const group = freshId();
  const inputs = choices.map(({ value }) => element("input", {
    type: "radio", name: group, onchange: () => changed(value),
  }));
  const node = element("fieldset", { class: "radios" }, element("legend", {}, name),
    element("div", { class: "radio-row" },
    ...choices.map(({ words }, k) => element("label", {}, inputs[k], element("span", {}, words)))));
  return {
    node,
    show: (/** @type {any} */ value) => inputs
      .forEach((input, k) => { input.checked = choices[k].value === value; }),
  };
}

/**
 * A number that is typed.
 * @param {object} given
 * @param {string} given.name
 * @param {number} given.least
 * @param {number} given.most
 * @param {string} given.unit
 * @param {(value: number) => void} changed
 */
export function numberControl({ name, least, most, unit }, changed) {
  const id = freshId();
  const input = element("input", {
    type: "number", id, min: least, max: most, step: "any", inputmode: "decimal",
    onchange: () => {
      const value = Number(input.value);
      if (input.value !== "" && value >= least && value <= most) changed(value);
      else show(kept);
    },
  });
  let kept = least;
  const show = (/** @type {number} */ value) => {
    kept = value;
    const words = String(Math.round(value * 100) / 100);
    if (document.activeElement !== input || Number(input.value) !== Number(words)) input.value = words;
  };
  const node = element("div", { class: "number-field" }, element("label", { for: id }, name), input,
    element("span", { class: "unit" }, unit));
  return { node, input, show };
}

/**
 * A button.
 * @param {string} words
 * @param {() => void} pressed
 * @param {string} [look]
 */
export function buttonControl(words, pressed, look = "") {
  return element("button", { type: "button", class: look || null, onclick: pressed }, words);
}

/**
 * A button that does its step once a press, and again and again while it is held; then it is told "done".
 * @param {string} words
 * @param {string} spoken
 * @param {(done: boolean) => void} step
 */
export function heldControl(words, spoken, step) {
  /** @type {any} */
  let waiting = 0;
  let held = false;
  const again = () => {
    step(false);
    waiting = setTimeout(again, HELD_MS);
  };
  const end = () => {
    clearTimeout(waiting);
    if (held) step(true);
    held = false;
  };
  return element("button", {
    type: "button", "aria-label": spoken, onpointerup: end, onpointercancel: end, onpointerleave: end,
    oncontextmenu: (/** @type {any} */ event) => event.preventDefault(),
    onpointerdown: (/** @type {any} */ event) => {
      if (event.button > 0 || held) return;
      held = true;
      step(false);
      waiting = setTimeout(again, HOLD_MS);
    },
    onclick: (/** @type {any} */ event) => {
      if (event.detail > 0) return; // by a pointer, which has been heard
      step(false);
      step(true);
    },
  }, words);
}

/**
 * Something that folds.
 * @param {string} title
 * @param {string} hint what is inside
 * @param {...Node} inside
 */
export function fold(title, hint, ...inside) {
  return element("details", {}, element("summary", {}, element("strong", {}, title),
    element("span", {}, hint)),
    element("div", { class: "inside" }, ...inside));
}

/**
 * Give somebody a file.
 * @param {Blob} blob
 * @param {string} name
 */
export function download(blob, name) {
  const address = URL.createObjectURL(blob);
  element("a", { href: address, download: name }).click();
  setTimeout(() => URL.revokeObjectURL(address), 10000);
}
