// Keeps the overview live: texts as the station words them, and a strip chart for
// each post. Without it the page is a snapshot.
import { root, all, part, say, now, follow } from "./shell.js";

const SPAN = 300e3; // ms a chart goes back
const UNIT = Number(part("posts").dataset.scale); // W/m² in 1 mW/cm²

function age(ms) {
  if (ms < 0) return "just now";
  if (ms < 10e3) return (ms / 1e3).toFixed(1) + " s ago";
  if (ms < 120e3) return Math.floor(ms / 1e3) + " s ago";
  if (ms < 7200e3) return Math.floor(ms / 60e3) + " min ago";
  return Math.floor(ms / 3600e3) + " h ago";
}

// ---- charts

const charts = new Map();

class Chart {
  constructor(post) {
    this.id = post.dataset.post;
    this.limit = Number(post.dataset.limit) / UNIT;
    this.more = JSON.parse(post.dataset.more || "[]").map((l) => [l.w_per_m2 / UNIT, l.text]);
    this.gap = Number(post.dataset.gap) * 1e3;
    this.slots = new Map(); // slot number -> [lo, hi, over], mW/cm²
    this.width = 0; // ms
    this.origin = 0; // ms; start of slot 0
    this.seen = false;
    this.asking = false;
    this.canvas = document.createElement("canvas");
    part("summary", post).replaceChildren(this.canvas);
    new ResizeObserver(() => this.draw()).observe(this.canvas);
    new IntersectionObserver((entries) => { this.seen = entries.at(-1).isIntersecting; this.draw(); }).observe(this.canvas);
  }

  // ask fetches the whole trace; updates then carry its newest part.
  async ask() {
    if (this.asking) return;
    this.asking = true;
    try {
      const answer = await fetch(`/api/v1/posts/${encodeURIComponent(this.id)}/trace`);
      if (answer.ok) {
        const trace = await answer.json();
        this.slots.clear();
        this.width = 0;
        this.take(trace);
      }
    } catch {
      // The stream tells that the station is gone; it asks again when it is back.
    } finally {
      this.asking = false;
      this.draw();
    }
  }

  take(trace) {
    const n = trace.lo_w_per_m2.length, width = trace.width_s * 1e3, end = Date.parse(trace.end);
    if (n === 0) return;
    if (this.width !== width) {
      this.width = width;
      this.origin = end - n * width;
      this.slots.clear();
    }
    const first = Math.round((end - this.origin) / width) - n;
    for (let i = 0; i < n; i++) {
      const lo = trace.lo_w_per_m2[i], hi = trace.hi_w_per_m2[i], over = trace.over_range[i];
      if (lo !== null) this.slots.set(first + i, [lo / UNIT, hi / UNIT, over]);
      else if (over) this.slots.set(first + i, [null, null, over]);
    }
    const oldest = (now() - SPAN - this.origin) / width - 8;
    for (const k of this.slots.keys()) {
      if (k >= oldest) break;
      this.slots.delete(k);
    }
  }

  // runs cuts what was seen where nothing was seen for longer than the gap.
  runs(start, end) {
    const runs = [], gaps = [];
    let last = start, run = null;
    for (const k of Array.from(this.slots.keys()).sort((a, b) => a - b)) {
      const at = this.origin + (k + 0.5) * this.width;
      if (at < start) continue;
      if (at - last > this.gap) {
        gaps.push([last, at]);
        run = null;
      }
      if (!run) runs.push(run = []);
      run.push([at, ...this.slots.get(k)]);
      last = at;
    }
    if (end - last > this.gap) gaps.push([last, end]);
    return { runs, gaps };
  }

  draw() {
    const w = this.canvas.clientWidth, h = this.canvas.clientHeight, scale = window.devicePixelRatio || 1;
    if (!this.seen && !printing || !w || !h) return;
    this.canvas.width = Math.round(w * scale);
    this.canvas.height = Math.round(h * scale);
    const c = this.canvas.getContext("2d");
    c.scale(scale, scale); // setting the size has cleared it
    const end = now(), start = end - SPAN, ink = inks();
    const { runs, gaps } = this.runs(start, end);
    let top = Math.max(this.limit, ...this.more.map((l) => l[0]));
    for (const run of runs) for (const p of run) if (p[2] !== null) top = Math.max(top, p[2]);
    top *= 1.25;
    const box = { l: 44, r: w - 2, t: 24, b: h - 20 };
    const x = (at) => box.l + (box.r - box.l) * Math.max((at - start) / SPAN, 0);
    const y = (s) => box.b - (box.b - box.t) * Math.min(Math.max(s / top, 0), 1);
    c.font = ink.font;
    this.axes(c, ink, box, top, y);
    for (const [from, to] of gaps) hatch(c, ink, x(from), box.t, x(to) - x(from), box.b - box.t, y(this.limit));
    this.bands(c, ink, box, runs, x, y);
    this.overRange(c, ink, runs, x);
    for (const [value, text] of this.more) this.limitLine(c, ink, box, y(value), text);
    this.limitLine(c, ink, box, y(this.limit), "");
  }

  axes(c, ink, box, top, y) {
    c.lineWidth = 1;
    c.fillStyle = ink.quiet;
    c.strokeStyle = ink.line;
    c.textBaseline = "middle";
    c.textAlign = "right";
    let step = 10 ** Math.floor(Math.log10(top / 2));
    for (const k of [1, 2, 5, 10]) if (top / (step * k) <= 5) { step *= k; break; }
    for (let i = 0; i * step <= top; i++) {
      const v = Number((i * step).toPrecision(4)), at = Math.round(y(v)) + 0.5;
      c.beginPath();
      c.moveTo(box.l, at);
      c.lineTo(box.r, at);
      c.stroke();
      c.fillText(String(v), box.l - 6, at);
    }
    c.textBaseline = "alphabetic";
    c.textAlign = "left";
    c.fillText("mW/cm²", 0, 11);
    const wide = box.r - box.l > 420;
    for (let m = 0; m <= 5; m++) {
      if (m > 0 && m < 5 && !wide) continue;
      const at = box.r - (box.r - box.l) * m / 5;
      c.textAlign = m === 0 ? "right" : m === 5 ? "left" : "center";
      c.fillText(m === 0 ? "now" : `${m} min ago`, at, box.b + 15);
    }
  }

  bands(c, ink, box, runs, x, y) {
    const limitAt = y(this.limit);
    const trace = (colour) => {
      c.strokeStyle = c.fillStyle = colour;
      c.lineWidth = 1.5;
      c.lineJoin = "round";
      for (const run of runs) {
        const points = run.filter((p) => p[1] !== null);
        if (points.length === 0) continue;
        c.beginPath();
        for (const p of points) c.lineTo(x(p[0]), y(p[2]));
        for (const p of points.reverse()) c.lineTo(x(p[0]), y(p[1]));
        c.closePath();
        c.fill();
        c.stroke();
      }
    };
    trace(ink.trace);
    c.save();
    c.beginPath();
    c.rect(box.l, 0, box.r - box.l, limitAt);
    c.clip();
    trace(ink.alarm);
    c.restore();
  }

  overRange(c, ink, runs, x) {
    let from = null, to = null;
    c.fillStyle = ink.alarm;
    const flush = () => { if (from !== null) c.fillRect(from, 15, Math.max(to - from, 2), 7); };
    for (const run of runs) for (const p of run) {
      if (!p[3]) continue;
      const l = x(p[0] - this.width / 2), r = x(p[0] + this.width / 2);
      if (to === null || l > to + 1) { flush(); from = l; }
      to = r;
    }
    flush();
    if (from === null) return;
    c.textAlign = "right";
    c.fillText("over range", this.canvas.clientWidth - 2, 11);
  }

  limitLine(c, ink, box, at, further) {
    c.strokeStyle = c.fillStyle = ink.ink;
    c.lineWidth = 1.5;
    c.setLineDash(further ? [2, 4] : [7, 4]);
    c.textAlign = "left";
    c.beginPath();
    c.moveTo(box.l, at);
    c.lineTo(box.r, at);
    if (further) c.fillText(further, box.l + 4, at - 4);
    else c.moveTo(64, 7.5), c.lineTo(88, 7.5);
    c.stroke();
    c.setLineDash([]);
    // The label stands above the plot, so that it hides nothing that was seen.
    if (!further) c.fillText(`limit ${Number(this.limit.toPrecision(3))} mW/cm²`, 93, 11);
  }
}

let printing = false, inkNow = null;
function inks() {
  if (inkNow) return inkNow;
  const style = getComputedStyle(root), of = (name) => style.getPropertyValue(name).trim();
  inkNow = { font: "12px " + getComputedStyle(document.body).fontFamily };
  for (const name of ["ink", "quiet", "line", "paper", "alarm", "trace", "hatch"]) inkNow[name] = of("--" + name);
  return inkNow;
}
function redraw() { inkNow = null; for (const chart of charts.values()) chart.draw(); }

function hatch(c, ink, x, y, w, h, limitAt) {
  c.save();
  c.beginPath();
  c.rect(x, y, w, h);
  c.clip();
  c.strokeStyle = ink.hatch;
  c.lineWidth = 1.5;
  c.beginPath();
  for (let i = x - h; i < x + w; i += 7) { c.moveTo(i, y + h); c.lineTo(i + h, y); }
  c.stroke();
  const wide = c.measureText("not seen").width;
  if (w > wide + 16) {
    const mid = y + h / 2 + (Math.abs(y + h / 2 - limitAt) < 14 ? 26 : 0);
    c.fillStyle = ink.paper;
    c.fillRect(x + w / 2 - wide / 2 - 5, mid - 9, wide + 10, 18);
    c.fillStyle = ink.ink;
    c.textAlign = "center";
    c.fillText("not seen", x + w / 2, mid + 4);
  }
  c.restore();
}

// ---- posts, headline, alarms

const texts = ["condition", "since", "detail", "prefix", "value", "unit", "si", "ratio", "age_of", "outcome", "judged", "zero", "cert"];

function list(el, items) {
  if (el.children.length === items.length && items.every((t, i) => el.children[i].textContent === t)) return;
  el.replaceChildren(...items.map((t) => { const li = document.createElement("li"); li.textContent = t; return li; }));
}

function showPost(p) {
  const post = document.getElementById("post-" + p.id);
  if (!post) return;
  for (const name of texts) say(part(name, post), p[name]);
  post.dataset.state = p.state;
  part("mark", post).setAttribute("href", "#mark-" + p.state);
  part("age", post).dataset.at = p.sample_at;
  part("summary", post).setAttribute("aria-label", p.summary);
  list(part("reasons", post), p.reasons || []);
  list(part("notes", post), p.notes || []);
  charts.get(p.id).take(p.tail);
}

function headline(segments) {
  const ul = part("headline"), told = segments.map((s) => s.text).join("; ");
  if (Array.from(ul.children, (li) => li.textContent.trim()).join("; ") === told) return;
  ul.replaceChildren(...segments.map((s) => {
    const li = document.createElement("li"), text = document.createElement("span");
    const svg = document.querySelector("main .mark").cloneNode(true);
    svg.firstElementChild.setAttribute("href", "#mark-" + s.level);
    li.dataset.level = s.level;
    text.textContent = s.text;
    li.append(svg, text);
    return li;
  }));
}

let orderWanted = null;
function reorder() {
  const box = part("posts");
  if (!orderWanted || box.contains(document.activeElement) || box.querySelector("details[open]")) return;
  const have = all("[data-post]", box).map((el) => el.dataset.post);
  if (have.join("\n") !== orderWanted.join("\n")) {
    for (const id of orderWanted) box.append(document.getElementById("post-" + id));
  }
  orderWanted = null;
}

for (const post of all("[data-post]")) charts.set(post.dataset.post, new Chart(post));
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
addEventListener("beforeprint", () => { printing = true; root.dataset.print = "yes"; redraw(); });
addEventListener("afterprint", () => { printing = false; delete root.dataset.print; redraw(); });

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

follow({
  back() { for (const chart of charts.values()) chart.ask(); },
  update(u) {
    if (u.top) {
      headline(u.top.headline);
      say(part("tally"), u.top.tally);
      document.title = u.top.title;
      orderWanted = u.top.order;
      wanted = u.top.alarms;
    }
    standing();
    for (const p of u.posts || []) showPost(p);
  },
  tick(lost) {
    if (!lost) reorder();
    const time = now();
    for (const el of all('[data-f="age"]')) say(el, el.dataset.at ? age(time - Date.parse(el.dataset.at)) : "");
    for (const chart of charts.values()) chart.draw();
  },
});
