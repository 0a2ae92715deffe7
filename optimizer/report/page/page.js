"use strict";
const all = (what, where = document) => [...where.querySelectorAll(what)];
for (const each of all(".tool")) each.hidden = false;

const plain = (text) => text.toLowerCase().replace(/[\u2066-\u2069]/g, "");
for (const field of all("[data-filter]")) {
  const table = document.getElementById(field.dataset.filter);
  const count = document.querySelector(`[data-count="${field.dataset.filter}"]`);
  const around = table.closest("details");
  field.addEventListener("input", () => {
    const words = plain(field.value).split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const row of table.tBodies[0].rows) {
      const text = plain(row.dataset.find ?? row.textContent);
      row.hidden = !words.every((word) => text.includes(word));
      shown += row.hidden ? 0 : 1;
    }
    if (around && words.length) around.open = true;
    count.textContent = words.length ? `${shown} of ${table.tBodies[0].rows.length}` : "";
  });
}

const builds = document.getElementById("builds");
for (const head of builds.tHead.rows[0].cells) {
  const column = head.cellIndex;
  const button = document.createElement("button");
  button.type = "button";
  button.append(...head.childNodes);
  head.append(button);
  button.addEventListener("click", () => {
    const up = head.getAttribute("aria-sort") !== "ascending";
    for (const each of builds.tHead.rows[0].cells) each.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", up ? "ascending" : "descending");
    const value = (row) => row.cells[column].dataset.v ?? row.cells[column].textContent.trim();
    const order = (a, b) => {
      const [one, two] = [value(a), value(b)];
      const numbers = one !== "" && two !== "" && !isNaN(one) && !isNaN(two);
      return (numbers ? one - two : one.localeCompare(two)) * (up ? 1 : -1);
    };
    builds.tBodies[0].append(...[...builds.tBodies[0].rows].sort(order));
  });
}

const source = document.getElementById("builds-data");
if (source) {
  const data = JSON.parse(source.textContent);
  const picks = [0, 1].map((number) => document.getElementById(`pick-${number}`));
  const make = (name, text, parent, kind) => {
    const each = document.createElement(name);
    if (text) each.textContent = text;
    if (kind) each.scope = kind;
    parent.append(each);
    return each;
  };
  const compare = () => {
    const keys = picks.map((pick) => pick.value);
    const [one, two] = keys.map((key) => data.builds[key]);
    const place = document.getElementById("compared");
    place.replaceChildren();
    if (keys[0] === keys[1]) {
      make("p", "Both are the same build: pick another.", place);
      return;
    }
    const said = data.bands[keys.join(" ")] ?? data.bands[[...keys].reverse().join(" ")];
    make("p", said, place);
    const table = make("table", "", place);
    const head = make("tr", "", make("thead", "", table));
    for (const text of ["what", one.name, two.name]) make("th", text, head, "col");
    const body = make("tbody", "", table);
    const line = (name, left, right) => {
      const row = make("tr", "", body);
      make("th", name, row, "row");
      make("td", left, row);
      make("td", right, row);
    };
    one.facts.forEach(([name, text], i) => {
      if (text !== "-" || two.facts[i][1] !== "-") line(name, text, two.facts[i][1]);
    });
    data.slots.forEach((slot, i) => {
      if (one.parts[i] !== two.parts[i]) line(slot, one.parts[i], two.parts[i]);
    });
  };
  for (const pick of picks) pick.addEventListener("change", compare);
  compare();
}

const opened = [];
addEventListener("beforeprint", () => {
  for (const each of all("details:not([open])")) opened.push(each), (each.open = true);
});
addEventListener("afterprint", () => {
  while (opened.length) opened.pop().open = false;
});
