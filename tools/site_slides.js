// Shows one slide at a time. Without it all slides stand below one another.
const slides = [...document.querySelectorAll(".slide")], place = document.querySelector(".show-slides");
const button = (words, action) => {
  const one = document.createElement("button");
  one.type = "button";
  one.textContent = words;
  one.addEventListener("click", action);
  return one;
};
const count = document.createElement("span");
const bar = document.createElement("div");
bar.className = "turn-slides";
bar.hidden = true;
bar.append(button("back", () => turn(-1)), count, button("next", () => turn(1)), button("list", leave));
let at = -1; // the list

function show(number) {
  slides[at]?.classList.remove("now");
  at = Math.max(0, Math.min(slides.length - 1, number));
  document.body.classList.add("showing");
  bar.hidden = false;
  slides[at].classList.add("now");
  slides[at].querySelector("h3")?.setAttribute("aria-level", "2"); // alone it stands below the page's title
  slides[at].focus();
  count.textContent = `${at + 1} of ${slides.length}`;
}
function turn(by) {
  show(at + by);
}
function leave() {
  const last = slides[at];
  last?.classList.remove("now");
  for (const slide of slides) slide.querySelector("h3")?.removeAttribute("aria-level");
  document.body.classList.remove("showing");
  bar.hidden = true;
  at = -1;
  last?.scrollIntoView();
}
function first() { // the one that is in sight, or that the address names
  const named = document.getElementById(decodeURIComponent(location.hash.slice(1)))?.closest(".slide");
  return Math.max(0, slides.indexOf(named));
}
const KEYS = {
  ArrowRight: 1, ArrowDown: 1, PageDown: 1, " ": 1, ArrowLeft: -1, ArrowUp: -1, PageUp: -1,
  Home: -Infinity, End: Infinity,
};
addEventListener("keydown", event => {
  if (at < 0 || event.ctrlKey || event.altKey || event.metaKey) return;
  if (event.key === "Escape") leave();
  else if (event.key in KEYS && !(event.key === " " && event.target.closest("button"))) turn(KEYS[event.key]);
  else return;
  event.preventDefault();
});
place.prepend(button("Show as slides", () => show(first())));
document.querySelector("main").append(bar);
