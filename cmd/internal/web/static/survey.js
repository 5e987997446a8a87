// The guided survey on a phone: values and mark move with the stream; when the
// survey goes on, the part of the page is loaded anew. What is typed stays.
import { follow, part, say, fill } from "./shell.js";

const box = document.getElementById("survey");
const id = box.dataset.id;
let loading = false;
let closed = false; // the survey is over, and its last part is loaded

const guide = () => box.querySelector(".guide");

async function reload() {
  if (loading) return;
  loading = true;
  try {
    const answer = await fetch("/part/surveys/" + encodeURIComponent(id), { headers: { Accept: "text/html" } });
    if (answer.ok) {
      const typed = new Map(Array.from(box.querySelectorAll("input[id]"), (i) => [i.id, i.value]));
      const active = document.activeElement?.id;
      const phase = guide()?.dataset.phase;
      box.innerHTML = await answer.text();
      if (phase === guide()?.dataset.phase) for (const [name, value] of typed) { const i = document.getElementById(name); if (i && i.type !== "hidden") i.value = value; }
      if (active) document.getElementById(active)?.focus();
    }
  } catch { /* the connection is lost; the shell says so, and back() comes here again */ }
  loading = false;
}

function list(el, texts, make) {
  if (!el || JSON.stringify(Array.from(el.children, (c) => c.textContent)) === JSON.stringify(texts)) return;
  el.replaceChildren(...texts.map(make));
}

const element = (tag, className) => (text) => {
  const e = document.createElement(tag);
  e.className = className;
  e.textContent = text;
  return e;
};

function show(v) {
  list(part("warn"), v.warn, element("p", "harm"));
  list(part("do"), v.do, element("li", ""));
  say(part("value"), v.value);
  say(part("ratio"), v.ratio);
  say(part("settled"), v.settled);
  say(part("best"), v.best);
  say(part("background"), v.background);
  const reading = part("reading"), left = part("left"), progress = part("progress"), mark = part("mark");
  if (reading) reading.dataset.level = v.level;
  if (left) {
    left.hidden = v.left_s === null;
    if (v.left_s !== null) say(left, fill(left.dataset.text, { s: Math.round(v.left_s) }));
  }
  if (progress) { progress.hidden = v.progress_s === null; progress.value = v.progress; }
  if (mark && v.mark) {
    const h = Number(mark.ownerSVGElement.dataset.h);
    mark.setAttribute("transform", `translate(${Math.round(v.mark.x_m * 1000)} ${h - Math.round(v.mark.y_m * 1000)})`);
  }
}

function update(u) {
  if (u.surveys === undefined) return;
  const v = u.surveys.find((s) => s.id === id);
  const g = guide();
  if (!v || v.phase === "ended") {
    if (g || !v && !closed) reload();
    closed = !v;
    return;
  }
  if (!g || g.dataset.phase !== v.phase || Number(g.dataset.place) !== v.place || Number(g.dataset.steps) !== v.steps) reload();
  show(v);
}

// A form is sent without leaving the page, so that a lost connection costs nothing
// that was typed: the answer says what came of it.
box.addEventListener("submit", async (event) => {
  const form = event.target, button = event.submitter;
  const action = button?.getAttribute("formaction") || form.getAttribute("action");
  if (!action.startsWith("/api/v1/surveys/")) return;
  event.preventDefault();
  const body = new URLSearchParams(new FormData(form, button));
  try {
    // As a page, which tells what is refused in its language; where it leads on, it was done.
    const answer = await fetch(action, { method: "POST", body, headers: { Accept: "text/html" }, redirect: "manual" });
    const done = answer.type === "opaqueredirect", text = await answer.text();
    const said = new DOMParser().parseFromString(text, "text/html").querySelector("main .problem");
    const trouble = box.querySelector(".trouble") || box.insertBefore(element("p", "problem trouble")(""), box.firstChild);
    trouble.setAttribute("role", "alert");
    if (done) { trouble.remove(); await reload(); } else trouble.textContent = said ? said.textContent : JSON.parse(text).detail;
  } catch {
    const trouble = box.querySelector(".trouble") || box.insertBefore(element("p", "problem trouble")(""), box.firstChild);
    trouble.textContent = document.getElementById("lost").textContent || "…";
  }
});

follow({ update, back: reload });
