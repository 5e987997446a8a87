// Keeps the page of alarms live: it is fetched again when the stream says that it
// changed. What is typed and what is open outlives that.
import { all, part, follow } from "./shell.js";

let shown = part("alarms").dataset.tag, wanted = shown, busy = false;

async function fetchAgain() {
  if (wanted === shown || busy) return;
  busy = true;
  const tag = wanted;
  try {
    const answer = await fetch("/part/alarms");
    if (!answer.ok) return;
    const doc = new DOMParser().parseFromString(await answer.text(), "text/html");
    const box = part("alarms"), focus = document.activeElement && document.activeElement.id;
    const typed = all("input", box).map((el) => [el.id, el.value]);
    const open = all("details[open]", box).map((el) => el.closest("[data-key]").dataset.key);
    box.replaceChildren(...doc.body.childNodes);
    for (const [id, value] of typed) { const el = document.getElementById(id); if (el) el.value = value; }
    for (const el of all("details", box)) el.open = el.open || open.includes(el.closest("[data-key]").dataset.key);
    const back = focus && box.querySelector("#" + CSS.escape(focus));
    if (back) back.focus({ preventScroll: true });
    shown = tag;
  } catch {
    // The stream tells that the station is gone; the next update asks again.
  } finally {
    busy = false;
  }
}

follow({
  update(u) {
    if (u.top) wanted = u.top.alarms;
    fetchAgain();
  },
});
