import { mount } from "./page.mjs";

/**
 * Show the playable tape in a notebook: what is moved here goes to Python, and what Python sets moves it.
 *
 * @param {{model: any, el: HTMLElement}} given what the notebook hands over
 * @returns {() => void} takes it away again
 */
export function render({ model, el }) {
  const place = document.createElement("div");
  place.className = "tape-page";
  el.append(place);
  const page = mount(place, model.get("facts"), {
    workletSource: model.get("worklet"),
    phrase: model.get("phrase"),
    setting: model.get("setting"),
    address: false,
    onSetting(/** @type {object} */ setting) {
      model.set("setting", setting);
      model.save_changes();
    },
  });
  const follow = () => {
    if (JSON.stringify(model.get("setting")) !== JSON.stringify(page.get())) {
      page.set(model.get("setting"));
    }
  };
  model.on("change:setting", follow);
  return () => {
    model.off("change:setting", follow);
    page.stop();
  };
}
