// Shows a panel as it was drawn beforehand; a control that moves puts the others back to their first setting.
for (const panel of document.querySelectorAll(".panel")) {
  const picture = panel.querySelector("img");
  const said = panel.querySelector("[role=status]"), rows = panel.querySelector("table"), room = panel.querySelector(".said");
  const controls = [...panel.querySelectorAll("input, select")];
  const states = [...panel.querySelectorAll("script")].map(one => JSON.parse(one.textContent));
  const first = controls.map(one => one.dataset.first);
  const words = picture.alt.replace(states[0][first[0]].said, ""); // what does not change with the setting
  const put = (k, place) => {
    controls[k].value = place;
    if (controls[k].type !== "range") return;
    controls[k].setAttribute("aria-valuetext", states[k][place].at);
    controls[k].nextElementSibling.textContent = states[k][place].at;
  };
  const tell = state => {
    said.textContent = state.said;
    rows.replaceChildren();
    for (const [what, number] of state.rows) {
      const row = rows.insertRow(), head = document.createElement("th");
      head.scope = "row";
      head.textContent = what;
      row.append(head);
      row.insertCell().textContent = number;
    }
  };
  const show = k => {
    const place = controls[k].value, state = states[k][place];
    controls.forEach((_, other) => put(other, other === k ? place : first[other]));
    picture.src = state.picture;
    picture.alt = words + state.said;
    tell(state);
  };
  const start = states[0][first[0]];
  const reserve = () => { // room for the longest, so that nothing below moves; once there is type and a width
    const now = controls.map((one, k) => states[k][one.value]).find((state, k) => controls[k].value !== first[k]) ?? start;
    room.style.minHeight = "";
    const heights = states.flat().map(state => (tell(state), room.offsetHeight));
    tell(now);
    room.style.minHeight = `${Math.max(...heights)}px`;
  };
  controls.forEach((one, k) => {
    put(k, first[k]);
    one.addEventListener("input", () => show(k));
  });
  panel.querySelector("fieldset").hidden = false;
  reserve();
  document.fonts.ready.then(reserve);
  let width = innerWidth;
  addEventListener("resize", () => {
    if (innerWidth === width) return;
    width = innerWidth;
    reserve();
  });
}
