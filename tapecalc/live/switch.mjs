/** Sounds that are compared share one play head: choosing another goes on from where the first is. */

import { element } from "./elements.mjs";

/**
 * Make one player of a group of them; a group with one sound stays as it is.
 * @param {any} group with a figure for each sound, its player named by its title
 */
export function mountSwitch(group) {
  const figures = [...group.querySelectorAll("figure")];
  if (figures.length < 2 || group.querySelector("fieldset")) return;
  const players = figures.map((figure) => figure.querySelector("audio"));
  const name = `sounds-${Math.random()}`; // no count: in a notebook each group has a script of its own
  let chosen = 0;

  /** @param {number} next */
  const choose = (next) => {
    const [before, after] = [players[chosen], players[next]];
    const sounding = !before.paused && !before.ended;
    const time = before.ended ? 0 : before.currentTime;
    before.pause();
    chosen = next;
    figures.forEach((figure, number) => (figure.hidden = number !== next));
    if (time > 0) after.currentTime = time;
    if (sounding) after.play();
  };
  const labels = figures.map((figure, number) => {
    const picked = { type: "radio", name, checked: number === 0, onchange: () => choose(number) };
    const box = element("input", picked);
    return element("label", {}, box, ` ${figure.getAttribute("aria-label").replace(/^Sound: /, "")}`);
  });
  const legend = element("legend", {}, "Switch while it plays");
  group.prepend(element("fieldset", { class: "switch" }, legend, ...labels));
  choose(0);
}
