"use strict";
const rows = [...document.querySelectorAll("li")];
const parts = new Map([...document.querySelectorAll(".part")].map(part => [part.dataset.ref, part]));
const told = document.getElementById("told");
const key = "fitted " + document.body.dataset.board;
const refsOf = row => row.dataset.refs.split(" ");
const rowOf = ref => rows.find(row => refsOf(row).includes(ref));

function show(row, refs) {
  for (const each of rows) each.classList.toggle("on", each === row);
  for (const [ref, part] of parts) part.classList.toggle("on", refs.includes(ref));
  told.textContent = row ? refs.join(" ") + ": " + row.querySelector(".value").textContent : "";
}

function count() {
  for (const row of rows) {
    const done = row.querySelector("input").checked;
    row.classList.toggle("done", done);
    for (const ref of refsOf(row)) parts.get(ref).classList.toggle("done", done);
  }
  for (const list of document.querySelectorAll("ul")) {
    const boxes = [...list.querySelectorAll("input")];
    list.previousElementSibling.querySelector(".count").textContent =
      boxes.filter(box => box.checked).length + " of " + boxes.length;
  }
}

// A browser may keep nothing for a page from a file: ticks then last as long as the page is open.
function keep() {
  const done = rows.filter(row => row.querySelector("input").checked).map(row => row.dataset.refs);
  try { localStorage.setItem(key, JSON.stringify(done)); } catch (error) { return; }
}
function restore() {
  let done = [];
  try { done = JSON.parse(localStorage.getItem(key)) || []; } catch (error) { return; }
  for (const row of rows) row.querySelector("input").checked = done.includes(row.dataset.refs);
}

for (const row of rows) {
  row.addEventListener("pointerenter", () => show(row, refsOf(row)));
  row.addEventListener("focusin", () => show(row, refsOf(row)));
  row.addEventListener("change", () => { count(); keep(); });
}
for (const [ref, part] of parts) {
  part.addEventListener("pointerenter", () => show(rowOf(ref), [ref]));
  part.addEventListener("click", () => {
    const row = rowOf(ref);
    show(row, [ref]);
    if (row) row.scrollIntoView({block: "center"});
  });
}
document.getElementById("turn").addEventListener("click", event => {
  const turned = document.querySelector("svg").classList.toggle("turned");
  event.target.setAttribute("aria-pressed", turned);
});
document.getElementById("find").addEventListener("input", event => {
  const sought = event.target.value.trim().toLowerCase();
  for (const row of rows) row.hidden = sought !== "" && !row.textContent.toLowerCase().includes(sought);
});
restore();
count();
