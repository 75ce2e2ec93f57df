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
