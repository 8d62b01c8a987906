"use strict";
// Sorts and filters what the page shows, and says so when the page is older than it may be.
(() => {
  const all = (what, within = document) => [...within.querySelectorAll(what)];
  const overdue = document.getElementById("overdue");
  const due = overdue === null ? NaN : Number(overdue.dataset.due);
  const look = () => {
    if (!(Date.now() > due) || !overdue.hidden) return;
    overdue.hidden = false;
    document.body.classList.add("is-overdue");
    document.title = "Not up to date: " + document.title;
    document.querySelector(".mark").setAttribute("aria-label", "Not up to date");
    document.getElementById("was").hidden = false;
  };
  look();
  setInterval(look, 60000);

  const controls = document.getElementById("controls");
  if (controls === null) return;
  const items = all(".finding").map((item, place) => ({
    item, place, text: item.textContent.toLowerCase(), size: Number(item.dataset.size),
    seen: Number(item.dataset.seen), path: item.querySelector("h4").textContent,
  }));
  const [find, share, todo, order] = ["find", "share", "todo", "order"].map((name) => document.getElementById(name));
  const orders = {
    given: (a, b) => a.place - b.place,
    path: (a, b) => (a.path < b.path ? -1 : a.path > b.path ? 1 : a.place - b.place),
    size: (a, b) => b.size - a.size || a.place - b.place,
    newest: (a, b) => b.seen - a.seen || a.place - b.place,
    oldest: (a, b) => a.seen - b.seen || a.place - b.place,
  };
  const show = () => {
    const wanted = find.value.toLowerCase();
    let shown = 0;
    for (const each of items) {
      const fits = each.text.includes(wanted)
        && (share.value === "" || each.item.dataset.share === share.value)
        && (todo.value === "" || each.item.dataset.todo === todo.value);
      each.item.hidden = !fits;
      shown += fits;
    }
    for (const part of all(".batch, .group")) part.hidden = all(".finding", part).every((item) => item.hidden);
    document.getElementById("shown").textContent =
      `${shown.toLocaleString("en")} of ${items.length.toLocaleString("en")} shown`;
  };
  const sort = () => {
    for (const each of [...items].sort(orders[order.value])) each.item.parentNode.append(each.item);
  };
  for (const control of [find, share, todo]) control.addEventListener("input", show);
  order.addEventListener("input", sort);
  controls.addEventListener("submit", (event) => event.preventDefault());
  controls.hidden = false;
  show();
})();
