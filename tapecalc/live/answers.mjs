// Exercises on a page: a field for each, what there is to say to an answer, questions from earlier lessons
// with other numbers at each visit, and on the map what has been answered. All of it is kept in this browser only.
import { element } from "./elements.mjs";
import { judge, understood } from "./exercise.mjs";

/** @typedef {import("./exercise.mjs").ExerciseData} ExerciseData */
/** @typedef {import("./exercise.mjs").CommonSlips} CommonSlips */
/** @typedef {import("./exercise.mjs").Judged} Judged */
/** @typedef {{question: string, exercise: ExerciseData, solution: string}} Variant */
/** @typedef {{title: string, file: string, guesses: string[], exercises: string[]}} LessonKeys */
/**
 * @typedef {Object} Course what a page knows of its exercises
 * @property {CommonSlips} common
 * @property {string} lesson
 * @property {Record<string, ExerciseData>} exercises by lesson and name
 * @property {Variant[][]} look_back the variants of each question from earlier lessons
 * @property {LessonKeys[]} lessons all lessons, on the map only
 */
/** @typedef {{text: string, state: string}} Said */
/** @typedef {Pick<Storage, "getItem" | "setItem" | "removeItem">} Keeper */

const STORE_NAME = "tapecalc course";
const LONGEST_ANSWER = 60;
const MARKS = { open: "…", right: "✓", "not yet": "→", guess: "↔" };

/** What was answered, and how often each lesson was opened; where nothing can be kept, while the page is open. */
export class Answers {
  /** @param {Keeper | null} keeper */
  constructor(keeper) {
    this.keeper = keeper;
    /** @type {Record<string, Said>} */
    this.said = {};
    /** @type {Record<string, number>} */
    this.visits = {};
    this.read();
  }

  /** Take what is kept; leave what is not of our making. */
  read() {
    const found = this.kept();
    if (found === undefined) return;
    const { said, visits } = found;
    this.said = {};
    for (const [key, one] of Object.entries(said ?? {})) {
      const whole = typeof one?.text === "string" && Object.hasOwn(MARKS, one.state);
      if (whole && one.text.length <= LONGEST_ANSWER) this.said[key] = { text: one.text, state: one.state };
    }
    const counts = Object.entries(visits ?? {});
    this.visits = Object.fromEntries(counts.filter(([, count]) => Number.isSafeInteger(count) && count > 0));
  }

  /** @returns {any} what is kept; undefined if nothing can be */
  kept() {
    if (!this.keeper) return undefined;
    try {
      return JSON.parse(this.keeper.getItem(STORE_NAME) ?? "{}") ?? {};
    } catch (error) {
      if (error instanceof SyntaxError) return {};
      this.keeper = null;
      return undefined;
    }
  }

  /** Keep all there is; another page may have kept something since. */
  write() {
    try {
      this.keeper?.setItem(STORE_NAME, JSON.stringify({ said: this.said, visits: this.visits }));
    } catch {
      this.keeper = null; // blocked, or full
    }
  }

  /**
   * @param {string} key
   * @param {Said} said
   */
  say(key, said) {
    this.read();
    this.said[key] = said;
    this.write();
  }

  /**
   * How often a lesson was opened before; where nothing is kept, any number.
   * @param {string} lesson
   */
  visit(lesson) {
    const before = this.keeper ? (this.visits[lesson] ?? 0) : Math.floor(1000 * Math.random());
    this.visits[lesson] = before + 1;
    this.write();
    return before;
  }

  erase() {
    this.said = {};
    this.visits = {};
    try {
      this.keeper?.removeItem(STORE_NAME);
    } catch {
      this.keeper = null;
    }
  }
}

/**
 * The browser's own store; null where it is blocked.
 * @returns {Keeper | null}
 */
export function ownStore() {
  try {
    return window.localStorage;
  } catch {
    return null;
  }
}

/**
 * Fill all places for exercises on a page.
 * @param {Document} page
 * @param {Course} course
 * @param {Keeper | null} keeper
 */
export function mountExercises(page, course, keeper) {
  const answers = new Answers(keeper);
  const truths = placesOf(page, "truth").map((place) => mountTruth(place, course, answers));
  for (const place of placesOf(page, "guess")) mountGuess(place, course, answers, truths);
  mountWords(page, answers);
  for (const place of placesOf(page, "exercise")) mountExercise(place, course, answers);
  const backs = placesOf(page, "lookBack");
  if (backs.length) mountLookBack(backs, course, answers);
  for (const place of placesOf(page, "progress")) mountProgress(place, course, answers);
}

/**
 * @param {Document} page
 * @param {"truth" | "guess" | "word" | "wordTold" | "exercise" | "lookBack" | "progress"} kind
 * @returns {HTMLElement[]}
 */
function placesOf(page, kind) {
  const name = kind.replace(/[A-Z]/, (letter) => `-${letter.toLowerCase()}`);
  return [.../** @type {NodeListOf<HTMLElement>} */ (page.querySelectorAll(`[data-${name}]`))];
}

/**
 * @param {HTMLElement} place
 * @param {string} kind
 */
function keyOf(place, kind) {
  return place.dataset[kind] ?? "";
}

/**
 * @param {HTMLElement} place
 * @param {Course} course
 * @param {Answers} answers
 */
function mountExercise(place, course, answers) {
  const key = keyOf(place, "exercise");
  const exercise = course.exercises[key];
  const field = answerField(key, `Your answer${inUnit(exercise)}`, "Check", (text) => {
    const judged = judge(exercise, course.common, text);
    if (judged.state !== "open") answers.say(key, { text, state: judged.state });
    return judged;
  });
  place.replaceChildren(field.whole);
  if (answers.said[key]) field.fill(answers.said[key].text);
}

/**
 * A guess is kept, and meets the truth further down.
 * @param {HTMLElement} place
 * @param {Course} course
 * @param {Answers} answers
 * @param {{key: string, show: () => void}[]} truths
 */
function mountGuess(place, course, answers, truths) {
  const key = keyOf(place, "guess");
  const exercise = course.exercises[key];
  const numbered = place.dataset.number ? ` number ${place.dataset.number}` : "";
  const field = answerField(key, `Your guess${numbered}${inUnit(exercise)}`, "Keep", (text) => {
    const judged = judge(exercise, course.common, text);
    if (judged.state === "open") return judged;
    answers.say(key, { text, state: judged.state });
    for (const truth of truths) if (truth.key === key) truth.show();
    const kept = `Your guess: ${understood(exercise, text)}. Further down it is set beside the truth.`;
    return { state: "guess", sentence: kept };
  });
  place.replaceChildren(field.whole);
  if (answers.said[key]) field.fill(answers.said[key].text);
}

/**
 * Where the truth is told, the guess beside it.
 * @param {HTMLElement} place
 * @param {Course} course
 * @param {Answers} answers
 */
function mountTruth(place, course, answers) {
  const key = keyOf(place, "truth");
  const line = statusLine();
  const show = () => {
    const said = answers.said[key];
    if (said) tell(line, judge(course.exercises[key], course.common, said.text));
    else noGuess(line, key);
  };
  place.replaceChildren(line);
  show();
  return { key, show };
}

/**
 * Guesses in words are kept, and shown again where the lesson tells what is true.
 * @param {Document} page
 * @param {Answers} answers
 */
function mountWords(page, answers) {
  const told = placesOf(page, "wordTold").map((place) => {
    const [key, line] = [keyOf(place, "wordTold"), statusLine()];
    place.replaceChildren(line);
    return { key, show: () => showWord(line, key, answers) };
  });
  for (const place of placesOf(page, "word")) {
    const key = keyOf(place, "word");
    const back = told.filter((one) => one.key === key);
    const number = /guess-(\d)$/.exec(key);
    const asked = number ? `Your guess number ${number[1]}` : "Your guess";
    const field = answerField(key, asked, "Keep", (text) => {
      if (!text) return { state: "open", sentence: "Write a word or two." };
      answers.say(key, { text, state: "guess" });
      for (const { show } of back) show();
      const later = back.length ? " Further down you meet it again." : "";
      return { state: "guess", sentence: `Kept: ${asSaid(text)}.${later}` };
    });
    place.replaceChildren(field.whole);
    if (answers.said[key]) field.fill(answers.said[key].text);
  }
  for (const { show } of told) show();
}

/**
 * @param {HTMLElement} line
 * @param {string} key
 * @param {Answers} answers
 */
function showWord(line, key, answers) {
  const said = answers.said[key];
  if (said) tell(line, { state: "guess", sentence: `You guessed: ${asSaid(said.text)}.` });
  else noGuess(line, key);
}

/** @param {string} text @returns {string} without a full stop of its own */
function asSaid(text) {
  return text.replace(/\.+$/, "");
}

/**
 * @param {HTMLElement} line
 * @param {string} key
 */
function noGuess(line, key) {
  const way = element("a", { href: `#${idOf(key)}` }, "guess first");
  line.replaceChildren("You have made no guess yet: ", way, ".");
}

/**
 * The questions from earlier lessons: other numbers at each visit.
 * @param {HTMLElement[]} places
 * @param {Course} course
 * @param {Answers} answers
 */
function mountLookBack(places, course, answers) {
  const seed = answers.visit(course.lesson);
  for (const place of places) {
    const number = Number(keyOf(place, "lookBack"));
    const variants = course.look_back[number];
    let at = seed % variants.length;
    const show = () => {
      const { question, exercise, solution } = variants[at];
      const check = (/** @type {string} */ text) => judge(exercise, course.common, text);
      const field = answerField(`look-back-${number}`, `Your answer${inUnit(exercise)}`, "Check", check);
      const other = element("button", { type: "button" }, "Other numbers");
      other.addEventListener("click", () => {
        at = (at + 1) % variants.length;
        show().focus();
      });
      field.row.append(other);
      const summary = element("summary", {}, "Solution");
      const folded = element("details", {}, summary, element("p", {}, solution));
      place.replaceChildren(element("p", {}, question), field.whole, folded);
      return field.input;
    };
    show();
  }
}

/**
 * What was answered, lesson by lesson, and a button that erases it.
 * @param {HTMLElement} place
 * @param {Course} course
 * @param {Answers} answers
 */
function mountProgress(place, course, answers) {
  const show = () => {
    answers.read();
    const some = Object.keys(answers.said).length > 0;
    const title = element("h3", {}, "What you have done");
    const parts = [title, element("p", {}, whereKept(answers, some))];
    if (some) parts.push(progressTable(course.lessons, answers), eraseButton(answers, show));
    place.replaceChildren(...parts);
  };
  show();
  window.addEventListener("pageshow", show); // back from a lesson
}

/**
 * @param {Answers} answers
 * @param {boolean} some
 */
function whereKept(answers, some) {
  if (!answers.keeper) return "This browser keeps nothing here: your answers are gone when a page is closed.";
  const kept = "Guesses and answers are kept in this browser and sent nowhere.";
  return some ? kept : `Nothing yet. Each lesson asks for a guess and sets exercises. ${kept}`;
}

/**
 * @param {LessonKeys[]} lessons
 * @param {Answers} answers
 */
function progressTable(lessons, answers) {
  const names = ["Lesson", "Guesses", "Exercises"].map((name) => element("th", { scope: "col" }, name));
  const table = element("table", {}, element("thead", {}, element("tr", {}, ...names)));
  const body = element("tbody", {});
  for (const { title, file, guesses, exercises } of lessons) {
    const right = exercises.filter((key) => answers.said[key]?.state === "right").length;
    const made = guesses.filter((key) => answers.said[key]).length;
    const name = element("th", { scope: "row" }, element("a", { href: file }, title));
    const guess = guesses.length ? `${made} of ${guesses.length}` : "";
    const done = exercises.length ? `${right} of ${exercises.length} right` : "";
    body.append(element("tr", {}, name, element("td", {}, guess), element("td", {}, done)));
  }
  table.append(body);
  return table;
}

/**
 * A button that asks once more before it erases.
 * @param {Answers} answers
 * @param {() => void} after
 */
function eraseButton(answers, after) {
  const button = element("button", { type: "button" }, "Erase all of it");
  let asked = false;
  button.addEventListener("click", () => {
    if (asked) {
      answers.erase();
      after();
    } else {
      asked = true;
      button.textContent = "Press again to erase";
    }
  });
  button.addEventListener("blur", () => {
    asked = false;
    button.textContent = "Erase all of it";
  });
  return button;
}

/**
 * A labeled field with a button, and a line for what there is to say.
 * @param {string} key
 * @param {string} label
 * @param {string} action
 * @param {(text: string) => Judged} reply
 */
function answerField(key, label, action, reply) {
  const id = idOf(key);
  const input = /** @type {HTMLInputElement} */ (element("input", {
    id, type: "text", maxlength: String(LONGEST_ANSWER), autocomplete: "off", autocapitalize: "off",
    spellcheck: "false",
  }));
  const button = element("button", { type: "button" }, action);
  const line = statusLine();
  const check = () => tell(line, reply(input.value.trim()));
  button.addEventListener("click", check);
  input.addEventListener("keydown", (event) => {
    if (event.key === "Enter") check();
  });
  const row = element("div", { class: "row" }, input, button);
  const whole = element("div", { class: "answer" }, element("label", { for: id }, label), row, line);
  const fill = (/** @type {string} */ text) => {
    input.value = text;
    check();
  };
  return { whole, row, input, fill };
}

function statusLine() {
  return element("p", { role: "status", class: "reply" });
}

/**
 * @param {HTMLElement} line
 * @param {Judged} judged
 */
function tell(line, judged) {
  line.dataset.state = judged.state;
  const mark = element("span", { "aria-hidden": "true" }, MARKS[judged.state]);
  line.replaceChildren(mark, ` ${judged.sentence}`);
}

/** @param {ExerciseData} exercise */
function inUnit(exercise) {
  return exercise.unit ? `, in ${exercise.unit}` : "";
}

/** @param {string} key */
function idOf(key) {
  return `answer-${key.replaceAll(".", "-")}`;
}
