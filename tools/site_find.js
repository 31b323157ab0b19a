// Marks where one is among the page's headings, and searches all pages. Without it the link leads to the contents.
const link = document.querySelector(".find");
const up = link.dataset.up;

const marks = [...document.querySelectorAll('.menu ul ul a[href^="#"]')];
const places = marks.map(mark => document.getElementById(mark.getAttribute("href").slice(1)));
const nav = document.querySelector(".menu nav");
const TOP = 100; // pixels: a heading that a link leads to stands higher, the one below it does not
let marked = null, waits = false;
function mark() {
  waits = false;
  const end = innerHeight + scrollY >= document.documentElement.scrollHeight - 2;
  const passed = end ? places.length : places.filter(place => place.getBoundingClientRect().top < TOP).length;
  const now = passed ? marks[passed - 1] : null;
  if (now === marked) return;
  marked?.removeAttribute("aria-current");
  now?.setAttribute("aria-current", "location");
  marked = now;
  if (now) bringIntoView(now);
}
function bringIntoView(one) { // within the contents; the page stays where it is
  const { top, bottom } = one.getBoundingClientRect(), box = nav.getBoundingClientRect();
  if (top < box.top || bottom > box.bottom) nav.scrollTop += top - box.top - box.height / 3;
}
addEventListener("scroll", () => {
  if (!waits) requestAnimationFrame(mark);
  waits = true;
}, { passive: true });
const own = nav.querySelector("[aria-current=page]");
if (own) bringIntoView(own);
mark();
nav.addEventListener("click", event => {
  if (event.target.closest("a")) nav.parentElement.open = false;
});

const MOST = 30, AROUND = 70; // places that are shown; characters on each side of what was found
let dialog = null, pages = null, vocabulary = null;
const words = text => text.toLowerCase().match(/[\p{L}\p{N}_]+/gu) ?? [];
const made = (tag, text = "", attributes = {}) => {
  const one = document.createElement(tag);
  one.textContent = text;
  for (const [name, value] of Object.entries(attributes)) one.setAttribute(name, value);
  return one;
};

function load() { // a page from disk may load no data; a style sheet it may, and that cannot run
  return new Promise((done, fail) => {
    const sheet = made("link", "", { rel: "stylesheet", href: `${up}search_index.css` });
    sheet.onload = () => {
      const text = getComputedStyle(document.documentElement).getPropertyValue("--search-index").trim();
      done(JSON.parse(text.startsWith("'") ? text.slice(1, -1) : JSON.parse(text)));
    };
    sheet.onerror = fail;
    document.head.append(sheet);
  });
}

function prepare(index) {
  pages = index.map(([title, where, address, text]) =>
    ({ title, where, address, text, head: title.toLowerCase(), body: text.toLowerCase(), of: where.toLowerCase() }));
  vocabulary = [...new Set(pages.flatMap(page => words(`${page.title} ${page.text}`)))];
}

const pairs = word => new Set([...word].slice(1).map((letter, n) => word[n] + letter));
function nearest(word) { // the word that shares most pairs of letters, if it shares enough
  const own = pairs(word);
  let best = word, most = 0.6;
  for (const other of vocabulary) {
    if (Math.abs(other.length - word.length) > 2) continue;
    const those = pairs(other);
    const share = 2 * [...own].filter(pair => those.has(pair)).length / (own.size + those.size);
    if (share > most) [best, most] = [other, share];
  }
  return best;
}

function forms(word) { // one and many: bump and bumps, loss and losses, frequency and frequencies
  const one = [/ies$/, /(?<=ss|x|z|ch|sh)es$/, /(?<!s)s$/].flatMap((end, n) =>
    (end.test(word) ? [word.replace(end, n ? "" : "y")] : []));
  return [word, ...one].flatMap(form => [form, `${form}s`, ...(/[^aeiou]y$/.test(form) ? [form.replace(/y$/, "ies")] : [])]);
}

const LEAST = 2; // letters in each of two words that may be one
function pattern(word) { // as it is typed, anywhere; in its forms, whole, in one word or in two
  const apart = form => Array.from({ length: Math.max(0, form.length - 2 * LEAST + 1) }, (_, n) =>
    `${form.slice(0, n + LEAST)}[\\s\u2010\u2011-]${form.slice(n + LEAST)}`);
  const whole = forms(word).flatMap(form => [form, ...apart(form)]).join("|");
  return new RegExp(`${word}|(?<![\\p{L}\\p{N}])(?:${whole})(?![\\p{L}\\p{N}])`, "u");
}

const patterns = new Map(), worths = new Map();
const firstIn = (text, word) => {
  if (!patterns.has(word)) patterns.set(word, pattern(word));
  return patterns.get(word).exec(text);
};

function worth(page, word) {
  const head = firstIn(page.head, word);
  if (head) return head.index === 0 || /\W|_/.test(page.head[head.index - 1]) ? 8 : 5;
  if (firstIn(page.of, word)) return 3;
  return firstIn(page.body, word) ? 1 : 0;
}

function worthOfAll(word) { // kept: the next letter leaves the words before as they are
  if (!worths.has(word)) worths.set(word, pages.map(page => worth(page, word)));
  return worths.get(word);
}

function found(query) { // all words, the best first; at a tie the course before the library
  const asked = words(query).map(word => (worthOfAll(word).some(value => value) ? word : nearest(word)));
  const each = asked.map(worthOfAll), joined = asked.slice(1).map((word, n) => worthOfAll(asked[n] + word));
  const rated = asked.length === 0 ? [] : pages.map((page, n) => {
    const whole = joined.map(one => one[n]); // two words may be one
    const values = each.map((one, k) => Math.max(one[n], whole[k - 1] ?? 0, whole[k] ?? 0)), least = Math.min(...values);
    const more = [...values, ...whole].reduce((sum, value) => sum + value, page.address.startsWith("api/") ? -2 : 0);
    return [least && least + more, page];
  });
  return { asked, hits: rated.filter(([value]) => value).sort((a, b) => b[0] - a[0]).map(([, page]) => page) };
}

function excerpt(page, asked) {
  const shown = made("span"), at = asked.map(word => firstIn(page.body, word)).filter(one => one);
  if (at.length === 0) {
    shown.textContent = page.text.slice(0, 2 * AROUND);
    return shown;
  }
  const { index, 0: { length } } = at.reduce((first, one) => (one.index < first.index ? one : first));
  const before = page.text.slice(Math.max(0, index - AROUND), index).replace(index > AROUND ? /^\S*\s/ : "", "");
  const after = page.text.slice(index + length, index + length + AROUND).replace(/\s\S*$/, "");
  shown.append(before, made("mark", page.text.slice(index, index + length)), after);
  return shown;
}

function show(query) {
  const { asked, hits } = found(query);
  const other = words(query).join(" ") === asked.join(" ") ? "" : `, read as ${asked.join(" ")}`;
  const count = hits.length === 1 ? "1 place" : `${hits.length || "no"} places`;
  dialog.querySelector("[role=status]").textContent = asked.length ? `${count}${other}` : "";
  dialog.querySelector("ol").replaceChildren(...hits.slice(0, MOST).map(page => {
    const item = made("li"), to = made("a", "", { href: up + page.address });
    to.append(made("b", page.title), " ", made("span", page.where), made("br"), excerpt(page, asked));
    item.append(to);
    return item;
  }));
}

function build() {
  dialog = made("dialog", "", { class: "search", "aria-label": "Search" });
  const row = made("div"), shut = made("button", "Close", { type: "button" });
  const field = made("input", "", { type: "search", "aria-label": "Search lessons, pictures and library", autocomplete: "off" });
  field.placeholder = "a word, a figure, a function";
  row.append(field, shut);
  dialog.append(row, made("p", "", { role: "status" }), made("ol"));
  document.body.append(dialog);
  shut.addEventListener("click", () => dialog.close());
  dialog.addEventListener("click", event => {
    if (event.target === dialog || event.target.closest("a")) dialog.close();
  });
  field.addEventListener("input", () => { if (pages) show(field.value); });
  field.addEventListener("keydown", event => {
    if (event.key === "Enter") dialog.querySelector("ol a")?.click();
    if (event.key === "Escape") dialog.close(); // at once, not only what was typed
  });
}

link.addEventListener("click", async event => {
  if (event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  if (!dialog) build();
  dialog.showModal();
  const field = dialog.querySelector("input");
  field.select();
  if (pages) return;
  try {
    prepare(await load());
    show(field.value); // what was typed meanwhile
  } catch {
    location.href = link.href; // no index: the contents are a plain page
  }
});
