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

function worth(page, word) {
  const at = page.head.indexOf(word);
  if (at >= 0) return at === 0 || /\W|_/.test(page.head[at - 1]) ? 8 : 5;
  if (page.of.includes(word)) return 3;
  return page.body.includes(word) ? 1 : 0;
}

function found(query) { // all words, the best first; at a tie the course before the library
  const known = word => pages.some(page => worth(page, word));
  const asked = words(query).map(word => (known(word) ? word : nearest(word)));
  const rated = asked.length === 0 ? [] : pages.map(page => [Math.min(...asked.map(word => worth(page, word))), page]);
  rated.forEach(one => {
    if (one[0]) one[0] += asked.reduce((sum, word) => sum + worth(one[1], word), one[1].address.startsWith("api/") ? -2 : 0);
  });
  return { asked, hits: rated.filter(([value]) => value).sort((a, b) => b[0] - a[0]).map(([, page]) => page) };
}

function excerpt(page, asked) {
  const shown = made("span"), at = Math.min(...asked.map(word => page.body.indexOf(word)).filter(n => n >= 0));
  if (at === Infinity) {
    shown.textContent = page.text.slice(0, 2 * AROUND);
    return shown;
  }
  const word = asked.find(one => page.body.startsWith(one, at));
  const before = page.text.slice(Math.max(0, at - AROUND), at).replace(at > AROUND ? /^\S*\s/ : "", "");
  const after = page.text.slice(at + word.length, at + word.length + AROUND).replace(/\s\S*$/, "");
  shown.append(before, made("mark", page.text.slice(at, at + word.length)), after);
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
