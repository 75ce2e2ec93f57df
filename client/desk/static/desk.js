// The desk works without this script: every page is a form or a link. With it, the state bar keeps itself current, what is
// typed is kept and judged while it is typed, and Enter goes on to the next field of a table.
"use strict";

(() => {
  const said = document.getElementById("said");

  // say lets a screen reader know, without moving anybody's place.
  function say(text) {
    if (said && said.textContent !== text) said.textContent = text;
  }

  // put replaces parts of the page by the id of the element. Our own desk made the HTML.
  function put(parts) {
    for (const [id, html] of Object.entries(parts || {})) {
      const at = document.getElementById(id);
      if (at && at.dataset.html !== html) {
        at.dataset.html = html;
        at.innerHTML = html;
      }
    }
  }

  // The state bar.
  if ("seated" in document.body.dataset) {
    const bar = document.getElementById("bar");
    const mark = () => (bar.querySelector(".mark") || {}).textContent || "";
    const look = async () => {
      try {
        const answer = await fetch("/state", { headers: { "X-Desk-Live": "1" } });
        if (answer.status === 401) {
          if (!document.querySelector("form[data-live], form[data-scan]")) location.reload();
          else lost("The desk has locked itself.");
        } else if (answer.ok) {
          const known = () => bar.textContent + document.getElementById("whom").textContent;
          const before = mark().trim(), state = known();
          put((await answer.json()).parts);
          if (before !== mark().trim()) say(mark().trim());
          if (state.replace(/\s+/g, " ") !== known().replace(/\s+/g, " ") && document.querySelector("[data-await]")) location.reload();
        }
      } catch {
        put({ bar: '<p class="mark down"><b aria-hidden="true">▲</b> This desk does not answer: its program has ended. Start it again; what was typed up to the last “kept” is there.</p>' });
      }
      setTimeout(look, 3000);
    };
    setTimeout(look, 1000);
  }

  // lost says that what is typed is not being kept.
  function lost(why) {
    for (const at of document.querySelectorAll("[data-kept]")) {
      at.className = "unsaved";
      at.textContent = "✗ " + why + " What was typed since the last figure is not kept. Load this page again.";
    }
    say(why);
  }

  // A live form is sent as it is typed: one request at a time, the latest figures last. The answer replaces parts of the
  // page.
  for (const form of document.querySelectorAll("form[data-live]")) {
    let busy = false, again = false, timer = 0;
    const kept = form.querySelector("[data-kept]");
    const next = () => { if (form.elements.turn) form.elements.turn.value = String(Number(form.elements.turn.value) + 1); };
    form.addEventListener("submit", next);
    const send = async () => {
      clearTimeout(timer);
      if (busy) { again = true; return; }
      busy = true;
      form.dataset.busy = "1";
      try {
        next();
        const body = new URLSearchParams(new FormData(form));
        for (const name of [...body.keys()]) if (name.includes("passphrase")) body.delete(name);
        const answer = await fetch(form.dataset.live, { method: "POST", body, headers: { "X-Desk-Live": "1" } });
        if (answer.ok) {
          const now = await answer.json();
          put(now.parts);
          if (kept && now.saved) { kept.className = "meta"; kept.textContent = now.saved; }
          form.dataset.count = String(Number(form.dataset.count || 0) + 1);
        } else if (answer.status === 401 || answer.status === 403) {
          lost("The desk was locked or started anew.");
        } else {
          lost(await answer.text());
        }
      } catch {
        lost("This desk does not answer.");
      }
      busy = false;
      delete form.dataset.busy;
      if (again) { again = false; send(); }
    };
    form.addEventListener("input", (event) => {
      event.target.removeAttribute("aria-invalid"); form.dataset.busy = "1"; clearTimeout(timer); timer = setTimeout(send, 250); });
    form.addEventListener("change", send);
  }

  // Enter is what a scanner types after each number. Where a field takes several, it adds a blank and stays; elsewhere on
  // a page that is signed it goes on to the next field to type in. It signs nothing: the button does, or its key.
  const visible = (e) => (e.checkVisibility ? e.checkVisibility() : e.offsetParent !== null);
  function onward(form, from) {
    const typed = "input:not([type=hidden]):not([type=checkbox]):not([type=radio]), textarea";
    const all = [...form.querySelectorAll(typed)].filter(visible);
    const after = all[all.indexOf(from) + 1] || form.querySelector("button[accesskey=s]");
    if (after) after.focus();
  }
  for (const kind of ["keydown", "keypress"]) {
    document.addEventListener(kind, (event) => {
      const at = event.target;
      if (event.key !== "Enter" || !at.matches || !at.matches("input[data-several]")) return;
      event.preventDefault();
      event.stopPropagation();
      const before = at.value.slice(0, at.selectionStart);
      if (kind === "keypress" || before === "" || /\s$/.test(before)) return;
      at.setRangeText(" ", at.selectionStart, at.selectionEnd, "end");
      at.dispatchEvent(new Event("input", { bubbles: true }));
    }, true);
  }
  for (const form of document.querySelectorAll("form[data-live], form[data-steps]")) {
    form.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" || event.target.tagName !== "INPUT" || event.target.closest("table[data-rows]")) return;
      event.preventDefault();
      onward(form, event.target);
    });
    form.addEventListener("keypress", (event) => { if (event.key === "Enter" && event.target.tagName === "INPUT") event.preventDefault(); });
  }

  // Enter goes on to the next field in a table of weighings, and makes a new row after the last.
  for (const table of document.querySelectorAll("table[data-rows]")) {
    const body = table.tBodies[0];
    const fields = () => [...body.querySelectorAll("input:not([type=hidden])")];
    const addRow = () => {
      const row = body.rows[body.rows.length - 1].cloneNode(true);
      const n = body.rows.length;
      for (const at of row.querySelectorAll("[id], [for], [aria-label], [aria-describedby]")) {
        for (const name of ["id", "for", "aria-describedby"]) {
          if (at.hasAttribute(name)) at.setAttribute(name, at.getAttribute(name).replace(/-\d+$/, "-" + n));
        }
        if (at.hasAttribute("aria-label")) at.setAttribute("aria-label", at.getAttribute("aria-label").replace(/\d+$/, String(n + 1)));
      }
      for (const field of row.querySelectorAll("input")) { field.value = ""; field.removeAttribute("autofocus"); field.removeAttribute("aria-invalid"); }
      for (const at of row.querySelectorAll("[data-number]")) at.textContent = String(n + 1);
      for (const at of row.querySelectorAll("div.verdict")) { at.innerHTML = ""; delete at.dataset.html; }
      body.append(row);
      return row;
    };
    table.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" || event.target.tagName !== "INPUT") return;
      event.preventDefault();
      const all = fields();
      let at = all.indexOf(event.target) + 1;
      const row = event.target.closest("tr");
      const needed = event.target.dataset.needed;
      if (needed && event.target.value.trim() === "" && [...row.querySelectorAll("input")].some((f) => f.value.trim() !== "")) { say(needed); return; }
      if (at === all.length) {
        if (table.dataset.rows === "fixed") { onward(table.closest("form"), event.target); return; }
        if ([...row.querySelectorAll("input")].every((f) => f.value.trim() === "")) return;
        addRow().querySelector("input").focus();
        return;
      }
      all[at].focus();
      all[at].select();
    });
    table.addEventListener("keypress", (event) => { if (event.key === "Enter" && event.target.tagName === "INPUT") event.preventDefault(); });
    const button = document.querySelector(`button[data-add="${table.id}"]`);
    if (button) button.addEventListener("click", (event) => { event.preventDefault(); addRow().querySelector("input").focus(); });
  }

  // A form is sent once; the answer may take as long as the service needs.
  for (const form of document.querySelectorAll("form:not([data-live])")) form.addEventListener("submit", sent);
  for (const form of document.querySelectorAll("form[data-live]")) form.addEventListener("submit", sent);
  function sent(event) {
    const form = event.target;
    if (form.dataset.sent) { event.preventDefault(); return; }
    form.dataset.sent = "1";
    const wait = form.querySelector("[data-wait]");
    if (wait) { wait.hidden = false; say(wait.textContent); }
  }
  addEventListener("pageshow", () => { for (const form of document.querySelectorAll("form[data-sent]")) delete form.dataset.sent; });

  // The first thing that is wrong gets the focus.
  const wrong = document.querySelector('[aria-invalid="true"]');
  if (wrong) wrong.focus();

  for (const button of document.querySelectorAll("button[data-print]")) button.addEventListener("click", () => print());
})();
