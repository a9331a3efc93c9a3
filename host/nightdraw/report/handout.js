"use strict";
// Saves the fields of the form as one JSON file on this device; nothing is sent anywhere.
const form = document.querySelector("form");
const told = JSON.parse(document.getElementById("told").textContent);
const status = document.getElementById("status");
let changed = false;

const hasUnit = (text) => /[A-Za-z\u00b5\u03bc%]/.test(text);

function say(field) {
  const place = document.getElementById("said-" + field.name);
  if (!place) return;
  const text = field.value.trim();
  place.textContent = field.dataset.unit && text && !hasUnit(text) ? told.unit : "";
}

form.addEventListener("input", (event) => {
  changed = true;
  status.textContent = told.unsaved;
  say(event.target);
});

form.addEventListener("submit", (event) => {
  event.preventDefault();
  const saved = { ...told.fixed };
  for (const field of form.elements) {
    if (!field.name) continue;
    const [name, part] = field.name.split(".");
    if (part) (saved[name + "s"] ??= {})[part] = field.value.trim();
    else saved[name] = field.value.trim();
  }
  saved.saved = new Date().toISOString();
  const blob = new Blob([JSON.stringify(saved, null, 2) + "\n"], { type: "application/json" });
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = told.name + ".json";
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  changed = false;
  status.textContent = told.saved;
});

addEventListener("beforeunload", (event) => {
  if (changed) event.preventDefault();
});
