"use strict";
const tip = document.getElementById("tip");
// The browser's own hint would stand over ours.
for (const title of document.querySelectorAll("g[data-bar] > title")) {
  title.parentNode.dataset.said = title.textContent;
  title.remove();
}
let seen = [];
const show = (event) => {
  const at = event.target.closest ? event.target.closest("[data-bar]") : null;
  for (const one of seen) one.classList.remove("seen");
  seen = at ? [...document.querySelectorAll(`[data-bar="${at.dataset.bar}"]`)] : [];
  for (const one of seen) one.classList.add("seen");
  tip.hidden = !(at && at.dataset.said);
  if (tip.hidden) return;
  tip.textContent = at.dataset.said;
  const box = tip.getBoundingClientRect();
  tip.style.left = `${Math.max(0, Math.min(event.clientX + 14, innerWidth - box.width - 8))}px`;
  tip.style.top = `${event.clientY + 18 + box.height > innerHeight ? Math.max(0, event.clientY - box.height - 12) : event.clientY + 18}px`;
};
document.addEventListener("pointerover", show);
document.addEventListener("pointerdown", show);
