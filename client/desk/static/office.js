// A return is chosen as a file and read here, so that what is compared can be seen. Without this script it is pasted.
"use strict";

for (const at of document.querySelectorAll("[data-file]")) {
  at.hidden = false;
  const file = at.querySelector("input[type=file]"), said = at.querySelector("[data-said]");
  const into = document.getElementById(file.dataset.into), most = Number(file.dataset.most);
  file.addEventListener("change", async () => {
    const one = file.files[0];
    if (!one) return;
    if (one.size > most) {
      said.textContent = "✗ " + one.name + " has " + one.size + " bytes, more than a return may have (" + most + "). See that it is the right file.";
      return;
    }
    into.value = await one.text();
    said.textContent = one.name + " is read: " + one.size + " bytes. Compare it now.";
  });
}

// A lot's page keeps itself current: what the other side or another desk signs appears where nothing is being done.
if (document.querySelector("[data-fresh]")) {
  const news = async () => {
    try {
      const answer = await fetch(location.href, { headers: { "X-Desk-Live": "1" } });
      if (answer.ok) {
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        for (const at of document.querySelectorAll("[data-fresh]")) {
          const now = page.querySelector('[data-fresh="' + at.dataset.fresh + '"]');
          const open = at.querySelector("details[open]") || at.contains(document.activeElement);
          if (now && !open && now.innerHTML !== at.innerHTML) at.innerHTML = now.innerHTML;
        }
      }
    } catch {
      // the state bar says that the desk does not answer
    }
    setTimeout(news, 4000);
  };
  setTimeout(news, 4000);
}
