import { keepKeys } from "../live/controls.mjs";
import { mountPanel } from "./panel.mjs";

/**
 * Show a panel in a notebook: what is moved here goes to Python, and what Python sets moves it.
 *
 * @param {{model: any, el: HTMLElement}} given what the notebook hands over
 * @param {(facts: any) => import("./control.mjs").PanelDefinition} make
 * @returns {() => void} takes it away again
 */
export function showPanel({ model, el }, make) {
  const place = document.createElement("section");
  place.className = "what-if";
  keepKeys(place);
  el.append(place);
  const panel = mountPanel(place, make(model.get("facts")), model.get("kit"), {
    values: model.get("values"),
    onValues(values, found) {
      model.set("values", values);
      model.set("readout", found.sentence);
      model.set("table", found.rows);
      model.save_changes();
    },
  });
  const follow = () => {
    if (JSON.stringify(model.get("values")) !== JSON.stringify(panel.get())) panel.set(model.get("values"));
  };
  model.on("change:values", follow);
  return () => {
    model.off("change:values", follow);
    panel.stop();
  };
}
