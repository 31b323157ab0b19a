/** The playable tape in a page: the scene, what is moved beside it, and the sound behind it. */

import { buttonControl, checkControl, download, fold, heldControl, keepKeys } from "./controls.mjs";
import { numberControl, radioControl, rangeControl, selectControl } from "./controls.mjs";
import { SEND_HIGH_DB, SEND_LOW_DB, STEP_MM } from "./grips.mjs";
import { element } from "./elements.mjs";
import { movesFor } from "./moves.mjs";
import { Scene } from "./scene.mjs";
import { BPM_LIMITS, History, TwoSettings, USUAL_HEAD, checkedSetting, machineFile } from "./setting.mjs";
import { sameSetting, settingFromAddress, settingToAddress } from "./setting.mjs";
import { HEADPHONES, Sound, lateInWords, stillLate, tappedTempo } from "./sound.mjs";
import { figure, headsSaid, lengthWords, levelWords, loopSaid, speedWords } from "./telling.mjs";

const TITLE = "Move a head and hear the delay change";
const SOURCES_SAID = [
  { value: "phrase", words: "a phrase" },
  { value: "clicks", words: "clicks at the tempo" },
  { value: "file", words: "a sound file" },
  { value: "line", words: "microphone or line" },
];
/** @type {["response" | "limit" | "hiss" | "wobble", string][]} */
const SWITCHES_SAID = [
  ["response", "tone of a pass: each repeat darker"],
  ["limit", "limit of the tape: loud sounds are held"],
  ["hiss", "hiss of the tape"],
  ["wobble", "wobble of the speed"],
];
const HEAD_SWITCHES_SAID = [["on", "on"], ["feeds_return", "in the return"], ["inverted", "inverted"]];
const ADDRESS_PAUSE_MS = 300;
/** A smaller change of what stays late is not told, s; nor one of how far the sound is turned down, dB. */
const LATE_STEP_S = 0.003;
const HELD_STEP_DB = 6;

/**
 * Put the playable tape into an element.
 * @param {HTMLElement} place
 * @param {any} facts
 * @param {{workletSource?: string, phrase?: string, setting?: any,
 *   onSetting?: (setting: any, dragging: boolean) => void,
 *   address?: boolean, level?: number}} [options] `level` is that of the title among the page's headings
 * @returns {{set: (setting: any) => void, get: () => any, stop: () => void, frameTimes: () => number[]}}
 */
export function mount(place, facts, options = {}) {
  const page = new TapePage(place, facts, options);
  const handle = {
    set: (/** @type {any} */ setting) => page.apply(setting, { quiet: true }),
    get: () => page.setting,
    stop: () => page.destroy(),
    frameTimes: () => [...page.scene.times],
  };
  Object.assign(place, { tape: handle }); // for whoever looks at the page from outside
  return handle;
}

class TapePage {
  /** @param {any} place @param {any} facts @param {any} options */
  constructor(place, facts, options) {
    this.facts = facts;
    this.options = options;
    this.place = place;
    this.touched = 0;
    this.starting = false;
    this.taking = false; // a recording, which may have ended by itself
    this.lateSeen = this.lateSaid = NaN; // how late the microphone's echo stays, s
    this.heldSaid = 0; // dB by which the sound is turned down
    /** @type {number[]} */
    this.taps = [];
    /** @type {string | null} */
    this.wished = null; // an input that still waits for a file or headphones
    /** @type {any[]} */
    this.rowControls = [];
    this.tabled = "";
    this.scene = /** @type {any} */ (null); // once all around it is there
    this.pair = /** @type {any} */ (null);
    this.worn = /** @type {any} */ (null);
    this.keys = /** @type {any} */ (null);
    this.moved = /** @type {any} */ (null);
    /** @type {number | null} */
    this.waiting = null;
    /** @type {any} */
    this.pause = 0;
    const start = this.firstSetting();
    this.setting = start.setting;
    this.history = new History(this.setting);
    this.two = new TwoSettings(this.setting);
    /** @type {[any, () => any][]} */
    this.bound = [];
    this.sound = new Sound(facts, options.workletSource ?? "", {
      phrase: options.phrase,
      onReport: (report) => this.hear(report),
      onSay: (sentence) => this.say(sentence),
    });
    this.build();
    this.scene.show(this.setting, this.touched);
    if (start.problem) this.say(start.problem);
    this.refresh();
    this.listen();
  }

  /** The setting to begin with: that of the address, the one that was handed over, or the file's. */
  firstSetting() {
    const { facts, options } = this;
    if (options.address && location.hash.length > 1) return settingFromAddress(facts, location.hash);
    return { setting: checkedSetting(facts, options.setting ?? facts.setting), problem: null };
  }

  build() {
    const { place } = this;
    place.classList.add("tape-page");
    place.replaceChildren();
    this.picture = element("div", { class: "picture" });
    this.warning = element("p", { class: "warning", role: "alert" });
    this.said = element("p", { class: "said", role: "status" });
    place.append(this.head(), this.picture, this.warning, this.start(), this.said, this.desk(), this.folds());
    this.scene = new Scene(this.picture, this.facts, {
      onHead: (k, mm, done) => this.moveHead(k, { spacing_mm: mm }, !done),
      onSend: (db, done) => this.change({ return_send_db: db }, !done),
      onTouch: (k) => this.touch(k),
    });
  }

  head() {
    this.number = element("strong", { class: "number" });
    this.which = element("span", { class: "which" });
    this.within = element("span", { class: "within" });
    this.answer = element("span", { class: "long" });
    this.under = element("p", { class: "under" });
    return element("div", { class: "top" },
      element("div", {}, element(`h${this.options.level ?? 2}`, { class: "title" }, TITLE), this.under),
      element("div", { class: "answer" },
        element("div", { class: "amount" },
          element("div", {}, element("span", { class: "where" }, "delay at "), this.which),
          this.number, this.within),
        this.nudges(), this.answer));
  }

  /** Fine setting of the head whose number stands large, for fingers. */
  nudges() {
    const nudge = (/** @type {string} */ sign, /** @type {number} */ steps) => heldControl(
      `${sign}\u00a0${figure(STEP_MM, 1)}\u00a0mm`, "", (done) => this.nudge(done ? 0 : steps, done));
    this.nearer = nudge("\u2212", -1);
    this.farther = nudge("+", 1);
    return element("div", { class: "nudges" }, this.nearer, this.farther);
  }

  /** @param {number} steps @param {boolean} done */
  nudge(steps, done) {
    const { least_mm, most_mm } = this.facts;
    const mm = this.setting.heads[this.touched].spacing_mm + steps * STEP_MM;
    this.moveHead(this.touched, { spacing_mm: Number(Math.min(most_mm, Math.max(least_mm, mm)).toFixed(3)) },
      !done);
  }

  /** The one thing to press, and the one line that says what to do. */
  start() {
    this.button = buttonControl("Play", () => this.press(), "play");
    this.todo = element("p", { class: "todo" });
    this.undo = buttonControl("undo", () => this.apply(this.history.undo(), { back: true }), "small");
    this.redo = buttonControl("redo", () => this.apply(this.history.redo(), { back: true }), "small");
    return element("div", { class: "start" }, this.button,
      element("div", { class: "steps" }, this.undo, this.redo), this.todo);
  }

  /** @param {any} control @param {any} value */
  bind(control, value) {
    this.bound.push([control, value]);
    return control.node;
  }

  /** What is wanted in the first minute. */
  desk() {
    return element("div", { class: "desk" },
      this.bind(selectControl("sound in", SOURCES_SAID, (kind) => this.pick(kind)),
        () => this.wished ?? this.setting.input),
      this.bind(checkControl("dry sound", (dry) => this.change({ dry })), () => this.setting.dry),
      this.speed(), this.tempo(), this.note(), this.inputPanel());
  }

  speed() {
    const { facts } = this;
    if (facts.speed_range_ips) {
      const [least, most] = facts.speed_range_ips;
      return this.bind(rangeControl({
        name: "speed", least, most, step: "any",
          words: (ips) => speedWords(facts, Number(ips.toPrecision(4))),
      }, (ips, done) => this.change({ speed_ips: Math.min(most, Math.max(least, ips)) }, !done)),
        () => this.setting.speed_ips);
    }
    const choices = facts.speeds.map((/** @type {any} */ { speed_ips, label }) =>
      ({ value: speed_ips, words: label }));
    return this.bind(radioControl("speed", choices, (speed_ips) => this.change({ speed_ips })),
      () => this.setting.speed_ips);
  }

  tempo() {
    const [least, most] = BPM_LIMITS;
    const field = numberControl({ name: "tempo", least, most, unit: "beats a minute" },
      (bpm) => this.change({ bpm }));
    const tap = buttonControl("tap", () => this.tap());
    tap.setAttribute("aria-label", "tap the tempo");
    return element("div", { class: "tempo" }, this.bind(field, () => this.setting.bpm), tap);
  }

  note() {
    const notes = this.facts.notes.map((/** @type {any} */ { name }) => ({ value: name, words: name }));
    return this.bind(selectControl("wanted note", [{ value: "any", words: "the nearest" }, ...notes],
      (note) => this.change({ note })), () => this.setting.note);
  }

  /** A file to choose, or headphones to put on, where the input needs it. */
  inputPanel() {
    this.file = element("input", { type: "file", accept: "audio/*", "aria-label": "sound file",
      onchange: () => this.takeFile() });
    this.filePanel = element("div", { class: "panel", hidden: true },
      element("p", {}, "Choose a sound file, or drop one here."), this.file);
    this.worn = checkControl("headphones are on", (on) => on && this.takeLine());
    this.linePanel = element("div", { class: "panel", hidden: true }, element("p", {}, HEADPHONES),
      this.worn.node);
    return element("div", { class: "panels" }, this.filePanel, this.linePanel);
  }

  folds() {
    this.table = element("div", { class: "numbers" });
    const numbers = fold("In numbers", "delay, note, repeats, margin", this.table);
    numbers.classList.add("printed"); // folded or not
    this.rows = element("div", { class: "head-rows" });
    const mixer = element("div", { class: "mixer" },
      this.bind(rangeControl({ name: "input send", least: SEND_LOW_DB, most: SEND_HIGH_DB, step: 0.5,
        words: levelWords },
        (db, done) => this.change({ input_send_db: db }, !done)), () => this.setting.input_send_db),
      ...SWITCHES_SAID.map(([key, words]) => this.bind(checkControl(words,
        (on) => this.change({ [key]: on })), () => this.setting[key])));
    return element("div", { class: "folds" },
      fold("Six moves to try", "each with what to expect", this.moves()),
      numbers,
      fold("Heads", "level, on, in the return, inverted", this.rows, this.headButtons()),
      fold("Tape and mixer", "input send, tone, limit, hiss, wobble", mixer),
      fold("Keep and compare", "two settings, a link, a file, a recording", this.keep()),
      ...(this.facts.plan.length ? [fold("The plan", "what it says of this machine",
        element("ul", {}, ...this.facts.plan.map((/** @type {any} */ line) =>
          element("li", {}, line.replace(/\+\/- ?/g, "\u00b1\u00a0")))))] : []));
  }

  moves() {
    const list = element("ol", { class: "moves" });
    movesFor(this.facts).forEach((move) => {
      list.append(element("li", {}, element(`h${(this.options.level ?? 2) + 1}`, {}, move.title),
        element("p", {}, move.todo),
        element("div", { class: "move-row" },
          buttonControl("set it up", () => this.begin(move)),
          fold("What to expect", "", element("p", {}, move.expect)))));
    });
    return list;
  }

  /** @param {any} move */
  begin(move) {
    this.touch(0);
    const { input } = this.setting;
    this.apply({ ...move.setting, input: move.setting.input === "clicks" ? "clicks" : input });
    this.say(move.todo);
    this.place.querySelector(".top").scrollIntoView({ block: "start" });
  }

  headButtons() {
    this.more = buttonControl("add a head", () => this.addHead());
    this.less = buttonControl("take it away again",
      () => this.apply({ ...this.setting, heads: this.setting.heads.slice(0, -1) }));
    return element("div", { class: "head-buttons" }, this.more, this.less);
  }

  addHead() {
    const { heads } = this.setting;
    const far = Math.max(...heads.map((head) => head.spacing_mm));
    const mm = Math.round(10 * Math.min(this.facts.most_mm, far * 1.5)) / 10;
    this.touched = heads.length;
    this.apply({ ...this.setting, heads: [...heads,
      { ...USUAL_HEAD, spacing_mm: mm }] });
  }

  keep() {
    this.pair = radioControl("two settings", [{ value: "A", words: "this one" },
      { value: "B", words: "the other one" }],
      (which) => { if (which !== this.two.using) this.apply(this.two.switch(), { pair: true }); });
    this.recordButton = buttonControl("record what is heard", () => this.record());
    this.link = element("input", { type: "text", readonly: true, hidden: true,
      "aria-label": "link to this setting" });
    return element("div", { class: "keep" }, this.pair.node,
      element("div", { class: "buttons" },
        this.options.address ? buttonControl("copy a link", () => this.copyLink()) : null,
        buttonControl("save as machine file", () => this.save()), this.recordButton), this.link);
  }

  listen() {
    this.keys = (/** @type {any} */ event) => {
      if (event.key === "Escape" && (this.sound.playing || this.starting)) this.halt();
    };
    document.addEventListener("keydown", this.keys);
    keepKeys(this.place);
    this.place.addEventListener("dragover", (/** @type {any} */ event) => event.preventDefault());
    this.place.addEventListener("drop", (/** @type {any} */ event) => {
      event.preventDefault();
      const [file] = event.dataTransfer?.files ?? [];
      if (file) this.useFile(file);
    });
    if (this.options.address) {
      this.moved = () => {
        const { setting, problem } = settingFromAddress(this.facts, location.hash);
        if (problem) this.say(problem);
        else if (!sameSetting(setting, this.setting)) this.apply(setting);
      };
      window.addEventListener("hashchange", this.moved);
    }
  }

  /** @param {number} k */
  touch(k) {
    if (this.touched === k) return;
    this.touched = k;
    this.scene.show(this.setting, k);
    this.later();
  }

  /**
   * Take a few changes of the setting.
   * @param {any} changes
   */
  change(changes, dragging = false) {
    this.apply({ ...this.setting, ...changes }, { dragging });
  }

  /** @param {number} k @param {any} changes */
  moveHead(k, changes, dragging = false) {
    this.touched = k;
    if (changes.spacing_mm !== undefined) this.scene.found = true;
    this.change({ heads: this.setting.heads.map((head, n) => (n === k ? { ...head, ...changes } : head)) },
      dragging);
  }

  /**
   * Take a setting: checked, kept, shown, heard, told.
   * @param {any} given
   * @param {{dragging?: boolean, back?: boolean, pair?: boolean, quiet?: boolean, heard?: boolean}} how
   * `heard` where the sound has its input already
   */
  apply(given, how = {}) {
    const { dragging = false, back = false, pair = false, quiet = false, heard = false } = how;
    let setting;
    try {
      setting = checkedSetting(this.facts, given);
    } catch (error) {
      this.say(sentenceOf(error));
      return;
    }
    const { input, bpm } = this.setting;
    this.setting = setting;
    if (setting.bpm !== bpm) this.say(this.spoken());
    this.touched = Math.min(this.touched, setting.heads.length - 1);
    if (!back) this.history.push(setting, dragging);
    if (!pair) this.two.set(setting);
    this.sound.set(setting);
    if (!heard && setting.input !== input) this.follow(setting.input);
    this.scene.show(setting, this.touched);
    this.later();
    if (this.options.address) this.address();
    if (!quiet) this.options.onSetting?.(setting, dragging);
  }

  /** Refresh what stands around the scene, once a frame. */
  later() {
    this.waiting ??= requestAnimationFrame(() => {
      this.waiting = null;
      this.refresh();
    });
  }

  address() {
    clearTimeout(this.pause);
    this.pause = setTimeout(() => {
      history.replaceState(null, "", settingToAddress(this.facts, this.setting));
    }, ADDRESS_PAUSE_MS);
  }

  refresh() {
    const { facts, setting } = this;
    const heads = headsSaid(facts, setting);
    const loop = loopSaid(facts, setting);
    const one = heads[this.touched];
    put(this.number, one.time);
    put(this.which, `head ${this.touched + 1}`);
    for (const [button, way] of [[this.nearer, "nearer"], [this.farther, "farther"]]) {
      button.setAttribute("aria-label", `head ${this.touched + 1} ${way} by ${figure(STEP_MM, 1)} mm`);
    }
    put(this.within, one.within);
    put(this.answer, setting.heads[this.touched].on ? one.long : "off");
    const beats = figure(setting.bpm, setting.bpm % 1 ? 1 : 0);
    put(this.under,
      `${facts.name}, ${speedWords(facts, setting.speed_ips)}, ${beats} beats a minute`);
    put(this.todo, this.doing());
    put(this.warning, loop.warning);
    this.warning.hidden = !loop.warning;
    this.undo.disabled = !this.history.canUndo;
    this.redo.disabled = !this.history.canRedo;
    this.pair.show(this.two.using);
    for (const [control, value] of this.bound) control.show(value());
    this.refreshRows();
    this.refreshTable(heads, loop);
  }

  doing() {
    const many = this.setting.heads.length > 1;
    if (!this.sound.playing) return `Press play, then drag ${many ? "a head" : "the head"} along the tape.`;
    return this.scene?.found ? "Hear the echo follow. Escape stops everything."
      : `Now drag ${many ? "a head" : "the head"} along the tape.`;
  }

  refreshRows() {
    const { heads } = this.setting;
    if (this.rows.childElementCount !== heads.length) {
      this.rowControls = heads.map((_, k) => this.headRow(k));
      this.rows.replaceChildren(...this.rowControls.map((row) => row.node));
    }
    this.rowControls.forEach((row, k) => row.show(heads[k]));
    this.more.disabled = heads.length >= this.facts.most_heads;
    this.less.hidden = heads.length <= this.facts.setting.heads.length;
  }

  /** @param {number} k */
  headRow(k) {
    const name = `head ${k + 1}`;
    const level = rangeControl({ name: "level", spoken: `level of ${name}`, least: SEND_LOW_DB,
      most: SEND_HIGH_DB, step: 0.5, words: levelWords },
      (db, done) => this.moveHead(k, { level_db: db }, !done));
    const checks = HEAD_SWITCHES_SAID.map(([key, words]) => ({
      key, control: checkControl(words, (on) => this.moveHead(k, { [key]: on }), `${name} ${words}`),
    }));
    const node = element("div", { class: "head-row", role: "group", "aria-label": name },
      element("strong", {}, name), level.node,
      ...checks.map(({ control }) => control.node));
    return {
      node,
      show: (/** @type {any} */ head) => {
        level.show(head.level_db);
        checks.forEach(({ key, control }) => control.show(head[key]));
      },
    };
  }

  /** @param {any} heads @param {any} loop */
  refreshTable(heads, loop) {
    const rows = heads.map((/** @type {any} */ one, /** @type {number} */ k) =>
      [`head ${k + 1}`, lengthWords(this.setting.heads[k].spacing_mm), one.sure, one.note, one.offShort,
      one.heard]);
    const key = JSON.stringify([rows, loop.repeats, loop.gone, loop.words]);
    if (key === this.tabled) return;
    this.tabled = key;
    const cells = (/** @type {string} */ tag, /** @type {any} */ row, /** @type {any} */ scope) =>
      element("tr", {}, ...row.map((/** @type {string} */ text, /** @type {number} */ k) =>
        element(k ? tag : "th",
      { scope: k ? (scope ? "col" : null) : scope ? "col" : "row" }, text)));
    this.table.replaceChildren(
      element("div", { class: "wide", tabindex: 0, role: "group",
        "aria-label": "Table: the heads in numbers" },
        element("table", {}, element("thead", {}, cells("th",
          ["head", "place", "delay", "nearest note", "off by", "heard as off"], true)),
          element("tbody", {}, ...rows.map((/** @type {any} */ row) => cells("td", row, false))))),
      element("dl", {}, ...[["repeats heard", loop.repeats], ["faded", loop.gone],
        ["to a runaway", loop.words]].map(([name, words]) =>
        element("div", {}, element("dt", {}, name), element("dd", {}, words)))));
  }

  /** Play or stop. */
  async press() {
    if (this.sound.playing || this.starting) {
      this.halt();
      return;
    }
    if (this.lacks(this.setting.input)) {
      (this.linePanel.hidden ? this.file : this.worn.box).focus();
      return;
    }
    this.say("");
    this.lateSaid = NaN;
    this.heldSaid = 0;
    this.starting = true;
    this.showPlaying();
    const runs = await this.sound.start(this.setting);
    this.starting = false;
    this.scene.run(Boolean(runs) && this.sound.playing);
    this.showPlaying();
  }

  halt() {
    this.starting = false;
    if (this.taking) this.record();
    this.sound.stop();
    this.scene.run(false);
    this.showPlaying();
  }

  showPlaying() {
    const on = this.sound.playing || this.starting;
    put(this.button, on ? "Stop" : "Play");
    this.button.classList.toggle("on", Boolean(on));
    this.later();
  }

  /** @param {any} report */
  hear(report) {
    if (!this.sound.playing) return;
    this.scene.report(report);
    this.tellHeld(report.held_db);
    if (this.setting.input === "line" && report.input === "line") this.tellLatency(report.heads);
  }

  /**
   * Say what the computer takes, and how much of it is made up for; again when that changes and stays so.
   * @param {{early_s: number}[]} heads
   */
  tellLatency(heads) {
    const heard = heads.filter((_, k) => this.setting.heads[k]?.on);
    const late = stillLate(this.sound.sent_s, heard.map((head) => head.early_s));
    const steady = Math.abs(late - this.lateSeen) < LATE_STEP_S;
    this.lateSeen = late;
    if (!steady || Math.abs(late - this.lateSaid) < LATE_STEP_S) return;
    this.lateSaid = late;
    this.say(`${this.sound.latency().text} ${lateInWords(late, heard.length)}`);
  }

  /**
   * Say that the sound is turned down, and again when that becomes much more.
   * @param {number} held_db
   */
  tellHeld(held_db) {
    if (held_db < this.heldSaid + HELD_STEP_DB) return;
    this.heldSaid = held_db;
    const by = `${figure(held_db)}\u00a0dB`;
    this.say(`What you hear is turned down by ${by} to spare your ears; the tape is not.`);
  }

  /** @param {string} sentence */
  say(sentence) {
    put(this.said, sentence);
    if (!this.sound?.playing && !this.starting) this.scene?.run(false);
    if (this.button) this.showPlaying();
  }

  /**
   * Choose where the sound comes from.
   * @param {string} kind
   */
  async pick(kind) {
    this.worn.show(false);
    this.showPanel(kind);
    this.wished = kind;
    if (kind !== "file" && kind !== "line") await this.useInput(kind);
  }

  /** @param {string} kind */
  showPanel(kind) {
    this.filePanel.hidden = kind !== "file";
    this.linePanel.hidden = kind !== "line";
  }

  /**
   * Whether an input waits for somebody; then it is shown and said for what.
   * @param {string} kind
   */
  lacks(kind) {
    const lacking = (kind === "line" && !this.worn.box.checked) || (kind === "file" && !this.sound.file);
    if (lacking) {
      this.showPanel(kind);
      this.say(kind === "line" ? HEADPHONES : "Choose a sound file first.");
    }
    return lacking;
  }

  /**
   * Let the sound follow an input that came with a setting: a step back, another setting, an address.
   * @param {string} kind
   */
  follow(kind) {
    this.wished = null;
    if (kind !== "line") this.worn.show(false);
    if (!this.sound.playing && !this.starting) this.showPanel(kind);
    else if (this.lacks(kind)) this.halt();
    else {
      this.showPanel(kind);
      this.useInput(kind);
    }
  }

  /**
   * Let the sound come from elsewhere.
   * @param {string} kind
   * @param {Blob} [file]
   */
  async useInput(kind, file) {
    const { wished } = this;
    const next = await this.sound.input(kind, file, this.setting);
    if (this.wished === wished) this.wished = null;
    if (next) this.apply(next, { heard: true });
    this.later();
  }

  takeFile() {
    const [file] = this.file.files;
    if (file) this.useFile(file);
  }

  /** @param {any} file */
  useFile(file) {
    this.filePanel.hidden = false;
    this.linePanel.hidden = true;
    this.useInput("file", file);
  }

  async takeLine() {
    this.lateSaid = NaN;
    await this.useInput("line");
    if (!this.sound.playing) this.say("Press play: the browser asks for the microphone then.");
  }

  /** What a phrase that was spoken at the file's tempo does at another one; else nothing. */
  spoken() {
    const { input, bpm } = this.setting;
    const own = this.facts.setting.bpm;
    return input !== "phrase" || bpm === own ? "" : "The phrase is still spoken as at "
      + `${figure(own, own % 1 ? 1 : 0)} beats a minute and waits for the new bar; clicks follow the tempo.`;
  }

  tap() {
    this.taps.push(performance.now() / 1000);
    this.taps = this.taps.slice(-16);
    try {
      const { bpm, text } = tappedTempo(this.taps);
      const [least, most] = BPM_LIMITS;
      this.change({ bpm: Math.round(10 * Math.min(most, Math.max(least, bpm))) / 10 });
      this.say(`${text} ${this.spoken()}`.trim());
    } catch (error) {
      this.say(sentenceOf(error));
    }
  }

  async record() {
    if (!this.taking) {
      if (!this.sound.playing) {
        this.say("Press play first, then record.");
        return;
      }
      this.sound.startRecording();
      this.taking = true;
      put(this.recordButton, "stop recording and save");
      return;
    }
    this.taking = false;
    put(this.recordButton, "record what is heard");
    download(await this.sound.stopRecording(), `${this.fileName()}.wav`);
  }

  save() {
    try {
      download(new Blob([machineFile(this.facts, this.setting)], { type: "application/toml" }),
        `${this.fileName()}.toml`);
    } catch (error) {
      this.say(sentenceOf(error));
    }
  }

  fileName() {
    return this.facts.name.toLowerCase().replace(/[^a-z0-9]+/g, "_").replace(/^_+|_+$/g, "") || "machine";
  }

  async copyLink() {
    const address = `${location.href.split("#")[0]}${settingToAddress(this.facts, this.setting)}`;
    this.link.value = address;
    this.link.hidden = false;
    this.link.select();
    try {
      await navigator.clipboard.writeText(address);
      this.say("The link is copied.");
    } catch {
      this.say("Copy the link that stands below.");
    }
  }

  destroy() {
    document.removeEventListener("keydown", this.keys);
    if (this.moved) window.removeEventListener("hashchange", this.moved);
    clearTimeout(this.pause);
    if (this.waiting) cancelAnimationFrame(this.waiting);
    this.sound.close();
    this.scene.destroy();
    this.place.replaceChildren();
  }
}

/**
 * Change a text only if it differs, so that it is read out only then.
 * @param {any} node
 * @param {string} words
 */
function put(node, words) {
  if (node.textContent !== words) node.textContent = words;
}

/**
 * What an error says.
 * @param {unknown} error
 */
function sentenceOf(error) {
  return error instanceof Error ? error.message : String(error);
}
