// The scanning page. A scanner types faster than anything answers, so each scan gets its number the moment Enter is
// pressed and waits in a queue that a reload survives; they are sent one at a time, in order, and sent again until they
// are answered. The desk knows a number that it had before. Without this script the page is a form of one line.
"use strict";

(() => {
  const form = document.querySelector("form[data-scan]");
  if (!form) return;
  const field = form.elements.text, page = form.elements.page.value, token = form.elements.token.value;
  const kept = "bay:" + form.dataset.scan;
  const queue = remembered();
  let next = Math.max(Number(form.elements.n.value), queue.length ? queue[queue.length - 1].n + 1 : 1);
  let busy = false, halted = false, taken = 0, flags = -1, retry = 0;

  function remembered() {
    try { return JSON.parse(sessionStorage.getItem(kept)) || []; } catch { return []; }
  }
  function keep() {
    try {
      sessionStorage.setItem(kept, JSON.stringify(queue));
    } catch { /* a full or closed store: the queue lives in this page */ }
  }

  // What the page says.
  const at = (id) => document.getElementById(id);
  function put(parts) {
    for (const [id, html] of Object.entries(parts || {})) {
      const place = at(id);
      if (place && place.dataset.html !== html) { place.dataset.html = html; place.innerHTML = html; offer(place); }
    }
  }
  // offer shows the buttons that say a line; without this script they would do nothing.
  function offer(place) {
    for (const button of place.querySelectorAll("[data-say]")) button.hidden = false;
  }
  function count() {
    const many = queue.length === 1 ? "1 scan waits" : queue.length + " scans wait";
    at("queue").textContent = queue.length ? many + " for this desk, kept in this window." : "Every scan is answered.";
    at("queue").classList.toggle("unsaved", queue.length > 0 && (halted || retry > 1));
  }
  function lost(words, link, label) {
    const place = at("lost");
    if (place.dataset.words === words) return;
    place.dataset.words = words;
    place.textContent = "";
    if (!words) return;
    const p = document.createElement("p");
    p.className = "unsaved";
    p.textContent = "✗ " + words + " ";
    if (link) {
      const a = document.createElement("a");
      a.href = link;
      a.className = "tap";
      a.textContent = label;
      p.append(a);
    }
    place.append(p);
  }

  // Sound: three patterns of [hertz, seconds] that differ in pitch and in rhythm. Two rising notes: good. One note
  // twice: look. Three falling: wrong.
  const patterns = {
    good: [[660, 0.07], [990, 0.09]],
    note: [[520, 0.1], [0, 0.06], [520, 0.1]],
    wrong: [[440, 0.14], [330, 0.14], [220, 0.24]],
  };
  const Audio = window.AudioContext || window.webkitAudioContext;
  const mute = form.querySelector("[data-sound]");
  let context = null, until = 0, quiet = false;
  try { quiet = localStorage.getItem("bay:quiet") === "yes"; } catch { /* then it sounds */ }
  function sound(kind) {
    if (!Audio || quiet || !patterns[kind]) return;
    context = context || new Audio();
    if (context.state === "suspended") context.resume();
    let when = Math.max(context.currentTime, until);
    if (kind === "good" && when > context.currentTime + 0.5) return; // of a backlog, what is wrong is heard
    for (const [pitch, length] of patterns[kind]) {
      if (pitch) {
        const tone = context.createOscillator(), loud = context.createGain();
        tone.frequency.value = pitch;
        tone.type = kind === "wrong" ? "square" : "sine";
        loud.gain.setValueAtTime(kind === "wrong" ? 0.12 : 0.25, when);
        loud.gain.linearRampToValueAtTime(0.0001, when + length);
        tone.connect(loud).connect(context.destination);
        tone.start(when);
        tone.stop(when + length);
      }
      when += length;
    }
    until = when;
  }
  if (Audio && mute) {
    const show = () => { mute.textContent = quiet ? "Sound: off" : "Sound: on"; };
    mute.hidden = false;
    show();
    mute.addEventListener("click", () => {
      quiet = !quiet;
      try { localStorage.setItem("bay:quiet", quiet ? "yes" : ""); } catch { /* for this page only */ }
      show();
      sound("good");
    });
  }

  // The queue.
  function scan(text) {
    text = text.replace(/[\u0000-\u001f\u007f]+/g, " ").trim(); // a code may hold signs that separate its fields
    if (!text) return;
    if (text.length > field.maxLength) {
      sound("wrong");
      lost("That code holds more than a box, a seal or a bar has (" + text.length + " characters); it was not taken.");
      return;
    }
    queue.push({ page, n: next++, text, at: performance.now() });
    keep();
    count();
    pump();
  }
  async function pump() {
    if (busy || halted) return;
    busy = true;
    while (queue.length && !halted) {
      const one = queue[0];
      let answer;
      try {
        answer = await fetch(form.action, {
          method: "POST", headers: { "X-Desk-Live": "1" }, signal: AbortSignal.timeout(20000),
          body: new URLSearchParams({ token, page: one.page, n: one.n, text: one.text }),
        });
        if (answer.status >= 500) throw new Error(await answer.text());
        if (answer.status === 401 || answer.status === 403) {
          halted = true;
          lost("The desk was locked or started anew. What was scanned is kept here and sent when you are back.",
            "/unlock?back=" + encodeURIComponent(location.pathname), "Unlock the desk");
        } else if (!answer.ok) {
          halted = true;
          lost(await answer.text() + " What was scanned since is kept in this window.", location.pathname, "Try again");
        } else {
          done(one, await answer.json());
        }
        retry = 0;
      } catch {
        retry++;
        if (retry > 1) {
          lost("This desk does not answer. Go on scanning: it is kept in this window and sent when the desk is back.");
        }
        setTimeout(pump, Math.min(250 * retry, 2000));
        break;
      }
    }
    busy = false;
    count();
  }
  function done(one, now) {
    if (now.mixed) {
      const missed = queue.map((q) => q.text).join(", ");
      queue.length = 0;
      keep();
      halted = true;
      sound("wrong");
      lost(now.mixed + " Not taken: " + missed + ".", location.pathname, "Load this page again");
      return;
    }
    queue.shift();
    keep();
    lost("");
    taken = now.lines;
    if (flags < 0) flags = now.flags;
    put(now.parts);
    sound(now.kind);
    form.dataset.sounded = quiet ? "" : now.kind;
    form.dataset.kind = now.kind;
    form.dataset.answered = String(one.n);
    if (one.at) form.dataset.took = (performance.now() - one.at).toFixed(1);
    if (now.stop && !queue.length) finish();
  }
  function finish() {
    const to = form.dataset.done;
    if (to.startsWith("#")) document.querySelector(to).focus(); else location.assign(to);
  }

  // What the service found meanwhile.
  async function news() {
    try {
      const answer = await fetch(form.action + "/news", { headers: { "X-Desk-Live": "1" } });
      if (answer.ok) {
        const now = await answer.json();
        if (now.lines >= taken && !queue.length) {
          put(now.parts);
          if (flags >= 0 && now.flags > flags) { sound("note"); tell(now.flags - flags); }
          flags = now.flags;
        }
      }
    } catch { /* the desk is away; the scans say so */ }
    setTimeout(news, 2000);
  }
  function tell(more) {
    const said = at("said");
    if (said) said.textContent = "The service flagged " + more + " more.";
  }

  // The hand stays at the scanner: wherever the focus is, what is typed goes into the field.
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const text = field.value;
    field.value = "";
    scan(text);
  });
  document.addEventListener("keydown", (event) => {
    const on = event.target;
    if (event.ctrlKey || event.metaKey || event.altKey || event.key.length !== 1 || on === field) return;
    if (on.matches && on.matches("input, select, textarea")) return;
    if (event.key === " " && on.matches && on.matches("button, a, summary")) return;
    field.focus();
  });
  document.addEventListener("focusout", (event) => {
    if (event.relatedTarget) return;
    setTimeout(() => {
      if (!document.activeElement || document.activeElement === document.body) field.focus({ preventScroll: true });
    }, 0);
  });
  addEventListener("focus", () => { if (document.activeElement === document.body) field.focus(); });
  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-say]");
    if (button) { scan(button.dataset.say); field.focus(); }
  });
  offer(document);

  // A scanner is faster than fingers: keys that come this close together, ended by Enter, are a scan even where another
  // field has the focus. What they left there is taken back.
  const apart = 60, least = 4; // milliseconds between two keys; keys
  let burst = null;
  document.addEventListener("keydown", (event) => {
    const on = event.target;
    if (on === field || !on.matches || !on.matches("input, textarea")) { burst = null; return; }
    if (event.ctrlKey || event.metaKey || event.altKey) { burst = null; return; }
    const now = event.timeStamp;
    const goes = burst && burst.on === on && now - burst.at <= apart;
    if (event.key === "Enter") {
      const whole = goes && burst.text.length >= least;
      if (whole || on.tagName === "INPUT") event.preventDefault();
      if (whole) {
        on.value = burst.before;
        scan(burst.text);
        field.focus();
      } else if (on.tagName === "INPUT" && on.form) { // Enter goes on; only the button signs
        const all = [...on.form.elements].filter((e) => e.offsetParent && e.type !== "hidden");
        const after = all[all.indexOf(on) + 1];
        if (after) after.focus();
      }
      burst = null;
    } else if (event.key.length === 1) {
      if (!goes) burst = { on, before: on.value, text: "" };
      burst.text += event.key;
      burst.at = now;
    }
  }, true);
  for (const button of form.querySelectorAll(".noscript")) button.hidden = true;

  // The camera, where the browser reads barcodes by itself.
  const camera = form.querySelector("[data-camera]"), video = at("camera");
  if (camera && "BarcodeDetector" in window && navigator.mediaDevices) {
    let stream = null, seen = "", seenAt = 0;
    camera.hidden = false;
    const stop = () => {
      for (const track of stream.getTracks()) track.stop();
      stream = null;
      video.hidden = true;
      camera.textContent = "Scan with the camera";
      field.focus();
    };
    camera.addEventListener("click", async () => {
      if (stream) { stop(); return; }
      try {
        stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
      } catch {
        lost("The camera is not to be had. Allow it for this page, or scan by hand.");
        return;
      }
      video.srcObject = stream;
      video.hidden = false;
      camera.textContent = "Close the camera";
      video.play().catch(() => {}); // without a picture there is nothing to read yet
      const reader = new window.BarcodeDetector();
      while (stream) {
        for (const code of await reader.detect(video).catch(() => [])) {
          const now = performance.now();
          if (code.rawValue && (code.rawValue !== seen || now - seenAt > 2500)) scan(code.rawValue);
          seen = code.rawValue;
          seenAt = now;
        }
        await new Promise((again) => setTimeout(again, 150));
      }
    });
  }

  if (!document.querySelector('[aria-invalid="true"]')) field.focus();
  count();
  pump();
  news();
})();
