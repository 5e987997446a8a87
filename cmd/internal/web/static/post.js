// Keeps the page of one post live, and moves about in its strip chart. The station
// draws; this asks for another part of the past, and reads it out from the table.
import { all, part, say, fill, now, follow } from "./shell.js";

const post = document.querySelector("[data-post]");
const id = encodeURIComponent(post.dataset.post);

// ---- the post now

const texts = ["standing", "condition", "since", "detail", "prefix", "value", "unit", "si", "ratio", "age_of", "outcome", "judged", "zero", "cert"];

function list(el, items) {
  if (el.children.length === items.length && items.every((t, i) => el.children[i].textContent === t)) return;
  el.replaceChildren(...items.map((t) => { const li = document.createElement("li"); li.textContent = t; return li; }));
}

function showPost(p) {
  for (const name of texts) say(part(name), p[name]);
  post.dataset.state = p.state;
  part("mark").setAttribute("href", "#m-" + p.state);
  part("age").dataset.at = p.sample_at;
  list(part("reasons"), p.reasons || []);
  list(part("notes"), p.notes || []);
}

function age() {
  const el = part("age"), d = el.dataset;
  if (!d.at) return say(el, "");
  const s = (now() - Date.parse(d.at)) / 1e3;
  if (s < 0) say(el, d.now);
  else if (s < 10) say(el, fill(d.s, { x: s.toFixed(1) }));
  else if (s < 120) say(el, fill(d.s, { x: Math.floor(s) }));
  else if (s < 7200) say(el, fill(d.min, { x: Math.floor(s / 60) }));
  else say(el, fill(d.h, { x: Math.floor(s / 3600) }));
}

// ---- the strip chart

const box = part("strip");
let rows = [], at = -1; // of the table; the one that is read
let pending = false, next = null, fetchedAt = 0;

const plot = () => box.querySelector(".plot");
const view = () => {
  const d = plot().dataset, q = new URLSearchParams(d.view);
  return { span: Number(q.get("span")) * 1e3, to: Number(d.to), live: d.live === "true", left: Number(d.left), inner: Number(d.inner) };
};
const width = () => Math.min(Math.max(Math.floor(box.clientWidth), 280), 2400);

function queryOf({ span, to, live }) {
  const q = new URLSearchParams({ span: String(span / 1e3), w: String(width()) });
  if (!live) q.set("end", String(Math.round(to)));
  return q;
}

// go shows another part of the past: one question at a time, and the newest wish
// last.
async function go(wish) {
  next = wish;
  if (pending) return;
  pending = true;
  while (next) {
    const q = queryOf(next);
    next = null;
    // Without an answer the stream tells that the station is gone.
    const text = await fetch(`/part/strip/${id}?${q}`).then((answer) => answer.ok ? answer.text() : null, () => null);
    if (text !== null && !next) put(new DOMParser().parseFromString(text, "text/html"), q);
  }
  pending = false;
  fetchedAt = performance.now();
}

// put takes over what is new and leaves the elements in place, so that a focus, a
// click that has begun and an open table outlive it.
function put(doc, q) {
  for (const name of ["amiss", "point"]) part(name, box).replaceChildren(...part(name, doc).childNodes);
  const links = all("a", doc);
  all("a", box).forEach((a, i) => {
    a.href = links[i].getAttribute("href");
    if (links[i].getAttribute("aria-current")) a.setAttribute("aria-current", "true"); else a.removeAttribute("aria-current");
  });
  const from = doc.querySelector(".plot");
  Object.assign(plot().dataset, from.dataset);
  svg().replaceWith(from.querySelector("svg"));
  box.querySelector("caption").textContent = doc.querySelector("caption").textContent;
  box.querySelector("tbody").replaceWith(doc.querySelector("tbody"));
  history.replaceState(null, "", "?" + q);
  const read = at >= 0 ? rows[at].x : null;
  begin();
  if (read !== null) readAt(read);
}

const zoom = (factor, share = 0.5) => {
  const v = view(), about = v.to - v.span * (1 - share);
  const span = Math.min(Math.max(v.span * factor, 10e3), 30 * 366 * 864e5);
  const to = about + span * (1 - share);
  go({ span, to, live: to >= now() || v.live && share > 0.98 || v.live && factor < 1 && share === 0.5 });
};
const pan = (part) => {
  const v = view(), to = v.to + part * v.span;
  go({ span: v.span, to, live: to >= now() });
};

// readAt reads the point nearest to a place in the drawing, and marks it.
function readAt(x) {
  if (rows.length === 0) return;
  let lo = 0, hi = rows.length - 1;
  while (lo < hi) { const mid = (lo + hi) >> 1; if (rows[mid].x < x) lo = mid + 1; else hi = mid; }
  if (lo > 0 && x - rows[lo - 1].x < rows[lo].x - x) lo--;
  read(lo);
}

function read(i) {
  if (!rows[i]) return;
  at = i;
  const { x, tr } = rows[i], out = part("readout", box), [when, low, mean, high, how] = Array.from(tr.cells, (c) => c.textContent);
  if (tr.dataset.gap || !low) say(out, fill(out.dataset.gap, { at: when, how }));
  else say(out, fill(out.dataset.text, { at: when, lo: low, mean, hi: high, how }));
  let line = svg().querySelector(".cursor");
  if (!line) {
    line = document.createElementNS("http://www.w3.org/2000/svg", "path");
    line.setAttribute("class", "cursor");
    svg().append(line);
  }
  line.setAttribute("d", `M${x} 30V266`);
}

function keys(e) {
  if (e.ctrlKey || e.metaKey || e.altKey) return;
  const step = { ArrowLeft: -1, ArrowRight: 1 }[e.key];
  if (step && e.shiftKey) pan(step / 2);
  else if (step) read(Math.min(Math.max(at < 0 ? rows.length - 1 : at + step, 0), rows.length - 1));
  else if (e.key === "Home") read(0);
  else if (e.key === "End") read(rows.length - 1);
  else if (e.key === "+" || e.key === "=") zoom(0.5);
  else if (e.key === "-") zoom(2);
  else if (e.key === "n" || e.key === "N") go({ span: view().span, to: 0, live: true });
  else return;
  e.preventDefault();
}

function begin() {
  rows = all("tbody tr", box).map((tr) => ({ x: Number(tr.dataset.x), tr })).sort((a, b) => a.x - b.x);
  at = -1;
}

let drag = null;
const svg = () => plot().querySelector("svg");
const xOf = (e) => { const r = svg().getBoundingClientRect(); return (e.clientX - r.left) * svg().viewBox.baseVal.width / r.width; };
plot().addEventListener("keydown", keys);
plot().addEventListener("pointermove", (e) => {
  if (!drag) { readAt(xOf(e)); return; }
  drag.by = e.clientX - drag.from;
  for (const p of svg().querySelectorAll(".band, .mean")) p.setAttribute("transform", `translate(${drag.by} 0)`);
});
plot().addEventListener("pointerdown", (e) => {
  if (e.button !== 0) return;
  drag = { from: e.clientX, by: 0 };
  plot().setPointerCapture(e.pointerId);
});
plot().addEventListener("pointerup", () => {
  const d = drag;
  drag = null;
  if (d && Math.abs(d.by) > 4) pan(-d.by / view().inner);
});
plot().addEventListener("pointercancel", () => { drag = null; });
plot().addEventListener("dblclick", (e) => zoom(0.5, share(xOf(e))));
plot().addEventListener("wheel", (e) => {
  if (!e.ctrlKey) return; // the page scrolls
  e.preventDefault();
  zoom(e.deltaY < 0 ? 0.8 : 1.25, share(xOf(e)));
}, { passive: false });
const share = (x) => { const v = view(); return Math.min(Math.max((x - v.left) / v.inner, 0), 1); };

box.addEventListener("click", (e) => {
  const a = e.target.closest("a[data-zoom]");
  if (!a || e.ctrlKey || e.metaKey || e.shiftKey || e.button !== 0) return;
  e.preventDefault();
  const q = new URLSearchParams(a.search), end = q.get("end");
  go({ span: Number(q.get("span")) * 1e3, to: Number(end), live: end === null });
});

// A live view moves on: the shorter its span, the more often.
function move() {
  const v = view();
  if (!v.live || pending || drag || document.hidden) return;
  if (performance.now() - fetchedAt > Math.min(Math.max(v.span / 150, 2000), 60e3)) go(v);
}

begin();
new ResizeObserver(() => { if (Math.abs(width() - svg().viewBox.baseVal.width) > 8) go(view()); }).observe(box);

// The alarms of the post are fetched again when one changed.
let tag = post.dataset.alarms, fetching = false;
async function stands(wanted) {
  if (fetching) return;
  fetching = true;
  try {
    const answer = await fetch(location.pathname);
    if (!answer.ok) return;
    const doc = new DOMParser().parseFromString(await answer.text(), "text/html");
    part("stands").replaceChildren(...part("stands", doc).childNodes);
    tag = wanted;
  } catch {
    // The next update asks again.
  } finally {
    fetching = false;
  }
}

follow({
  path: "/api/v1/live?post=" + id,
  update(u) {
    if (!u.post) return;
    showPost(u.post);
    if (u.post.alarms !== tag) stands(u.post.alarms);
  },
  tick(lost) { age(); if (!lost) move(); },
});
