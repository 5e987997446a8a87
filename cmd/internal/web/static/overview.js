// Keeps the overview live: each update names the fields of rows that changed, in
// words of the station. What changed between two frames is drawn once.
import { all, part, say, follow } from "./shell.js";

const STATE = 0, CONDITION = 1, SPARK = 6;
const rows = new Map(); // index -> {li, cells}
for (const li of all(".rows > li")) {
  const q = (sel) => li.querySelector(sel);
  rows.set(Number(li.id.slice(1)), {
    li, mark: q("use"), spark: q("[role]"),
    cells: [null, q("div p"), q("div i"), q("b"), q("b + i"), q("p + p")],
  });
}

const path = (d) => {
  const el = document.createElementNS("http://www.w3.org/2000/svg", "path");
  el.setAttribute("d", d);
  return el;
};

function show([index, ...changes]) {
  const row = rows.get(index);
  if (!row) return;
  for (let i = 0; i < changes.length; i += 2) {
    const field = changes[i], text = changes[i + 1];
    if (field === STATE) {
      row.li.dataset.state = text;
      row.mark.setAttribute("href", "#m-" + text);
    } else if (field === SPARK) {
      const [limit, line, gaps, words] = text.split("|");
      if (!text) continue;
      row.spark.replaceChildren(path(`M0 ${limit}h30`), path(line), path(gaps));
      row.spark.setAttribute("aria-label", words);
    } else {
      const cell = row.cells[field];
      if (field === CONDITION) cell.firstChild.data = text + " ";
      else if (cell.firstChild) cell.firstChild.data = text;
      else cell.textContent = text;
    }
  }
}

// list puts texts into a list, each with a mark of data.
function list(ul, items, key, make) {
  const told = JSON.stringify(items);
  if (ul.dataset.told === told) return;
  ul.dataset.told = told;
  ul.replaceChildren(...items.map((item) => {
    const li = document.createElement("li");
    li.dataset[key] = item[key];
    li.append(...make(item));
    return li;
  }));
}

function top(t) {
  list(part("headline"), t.headline, "level", (s) => {
    const mark = document.querySelector("main .mark").cloneNode(true), text = document.createElement("span");
    mark.firstElementChild.setAttribute("href", "#m-" + s.level);
    text.textContent = s.text;
    return [mark, text];
  });
  list(part("grounds"), t.grounds || [], "holds", (g) => [g.text]);
  say(part("tally"), t.tally);
  document.title = t.title;
}

// Rows change places only while nobody is among them.
let order = null;
function reorder() {
  const box = part("rows");
  if (!order || !box || box.contains(document.activeElement) || box.matches(":hover")) return;
  if (all("li", box).some((li, i) => li.id !== "r" + order[i])) {
    for (const index of order) box.append(rows.get(index).li);
  }
  order = null;
}

let shown = part("standing").dataset.tag, wanted = shown, busy = false;
async function standing() {
  if (wanted === shown || busy) return;
  busy = true;
  const tag = wanted;
  try {
    const answer = await fetch("/part/standing");
    if (!answer.ok) return;
    const doc = new DOMParser().parseFromString(await answer.text(), "text/html");
    part("standing").replaceChildren(...doc.body.childNodes);
    shown = tag;
  } catch {
    // The stream tells that the station is gone; the next update asks again.
  } finally {
    busy = false;
  }
}

let waiting = []; // updates since the last frame
function draw() {
  for (const u of waiting) {
    if (u.top) { top(u.top); order = u.top.order; wanted = u.top.alarms; }
    for (const r of u.rows || []) show(r);
  }
  waiting = [];
  reorder();
  standing();
}

follow({
  update(u) {
    // A page out of sight keeps only what changed; it never waits in a queue.
    if (waiting.length === 0) requestAnimationFrame(draw);
    waiting.push(u);
    if (waiting.length > 8) draw();
  },
});
