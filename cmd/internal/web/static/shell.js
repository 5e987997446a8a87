// What every live page needs: the station's clock, its event stream, and the loud
// word that the stream is gone. It decides nothing about fields.
const SILENCE = 6000; // ms without a sign of life: not connected

export const root = document.documentElement;
export const all = (sel, from = document) => Array.from(from.querySelectorAll(sel));
export const part = (name, from = document) => from.querySelector(`[data-f="${name}"]`);
export const say = (el, text) => { if (el && el.textContent !== text) el.textContent = text; };

// fill puts values into a text of the catalogue.
export const fill = (text, values) => text.replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);

// The station's clock, carried on by the browser's steady one.
let stationAt = Date.parse(root.dataset.at);
let heardAt = performance.now();
export const now = () => stationAt + performance.now() - heardAt;

const times = new Intl.DateTimeFormat("en-GB", {
  timeZone: root.dataset.zone, hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23",
});
// What the station calls the zone's times, each name from its ms on.
const names = root.dataset.names.split(",").map((s) => s.split(" "));
// clock prints an instant in the site's zone, with the zone's name.
export const clock = (ms) => times.format(ms) + " " + names.findLast(([from]) => from <= ms)[1];

let source = null, lost = false, retry = 1000, heardLast = performance.now();
let follower = { path: "/api/v1/live", update() {}, back() {}, tick() {} };

function heard(event) {
  heardLast = performance.now();
  const u = JSON.parse(event.data);
  if (u.boot !== root.dataset.boot) { location.reload(); return; }
  stationAt = Date.parse(u.now);
  heardAt = performance.now();
  retry = 1000;
  if (lost || !root.dataset.live) {
    lost = false;
    root.dataset.live = "yes";
    document.getElementById("lost").hidden = true;
    say(part("live"), part("live").dataset.live);
    follower.back();
  }
  follower.update(u);
}

function notConnected() {
  if (!lost) {
    lost = true;
    root.dataset.live = "no";
    const banner = document.getElementById("lost");
    banner.textContent = fill(banner.dataset.text, { at: clock(stationAt) });
    banner.hidden = false;
    say(part("live"), part("live").dataset.heard);
    say(part("clock"), clock(stationAt));
  }
  if (source && source.readyState === EventSource.CLOSED) {
    source = null;
    setTimeout(connect, retry);
    retry = Math.min(retry * 2, 15e3);
  }
}

function connect() {
  if (source) source.close();
  heardLast = performance.now();
  source = new EventSource(follower.path);
  source.onmessage = heard;
  source.onerror = notConnected;
}

function tick() {
  if (performance.now() - heardLast > SILENCE) {
    if (source) { source.close(); notConnected(); } else heardLast = performance.now();
  }
  if (!lost) say(part("clock"), clock(now()));
  follower.tick(lost);
}

// follow opens the stream. update gets each update, back is told when the stream
// is there (again), tick is called four times a second.
export function follow(who) {
  follower = { ...follower, ...who };
  connect();
  setInterval(tick, 250);
}
