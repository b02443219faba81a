"use strict";
// Folding, sorting and searching the lists of this page. Nothing of it is needed to read them: without this script
// every list is open and whole. It puts no text of a list anywhere but where it is.
(() => {
  const SHOWN = 60; // rows of one list that are drawn before somebody asks for more
  const number = (n) => n.toLocaleString("en");
  const make = (tag, text, more) => Object.assign(document.createElement(tag), { textContent: text }, more);

  // What is only noted is folded; on paper it is open.
  const folds = [...document.querySelectorAll("details")];
  const fold = (open) => folds.forEach((one) => { one.open = open; });
  fold(false);
  let before = [];
  addEventListener("beforeprint", () => { before = folds.map((one) => one.open); fold(true); });
  addEventListener("afterprint", () => folds.forEach((one, at) => { one.open = before[at]; }));

  const lists = [...document.querySelectorAll("table.folders, table.rows")].map((table) => {
    const rows = [...table.tBodies[0].rows];
    const list = { table, rows, found: rows, limit: SHOWN, texts: null, more: make("button", "", { type: "button", className: "more" }) };
    list.more.addEventListener("click", () => {
      const first = list.found[list.limit];
      list.limit += 10 * SHOWN;
      draw(list);
      first.tabIndex = -1;
      first.focus();
    });
    table.after(list.more);
    return list;
  });

  // Only so many rows are ever drawn at once, whatever a list holds: that is what keeps the page quick.
  function draw(list) {
    const shown = new Set(list.found.slice(0, list.limit));
    for (const row of list.rows) row.hidden = !shown.has(row);
    const left = list.found.length - shown.size;
    list.more.hidden = left === 0;
    list.more.textContent = `Show ${number(Math.min(left, 10 * SHOWN))} more of ${number(left)} rows`;
  }

  const size = (cell) => {
    const bytes = /(?:^|[^.\d])([\d,]+)\sB\b/.exec(cell.textContent);
    return bytes ? Number(bytes[1].replaceAll(",", "")) : -1;
  };
  const path = (row) => `${row.querySelector("bdi").textContent}\n${row.cells[0].textContent}`;
  const KEYS = [path, (row) => size(row.cells[1]), (row) => size(row.cells[2])];
  const BY = ["path", "size on the old side", "size on the new side"];
  for (const list of lists) {
    const heads = list.table.classList.contains("rows") ? [...list.table.tHead.rows[0].cells] : [];
    heads.forEach((head, column) => {
      const button = make("button", head.textContent, { type: "button", title: `Sort by ${BY[column]}` });
      head.replaceChildren(button);
      button.addEventListener("click", () => sort(list, heads, column));
    });
  }

  function sort(list, heads, column) {
    const down = heads[column].getAttribute("aria-sort") === (column ? "descending" : "ascending");
    const falling = column ? !down : down;
    heads.forEach((head) => head.removeAttribute("aria-sort"));
    heads[column].setAttribute("aria-sort", falling ? "descending" : "ascending");
    const keyed = list.rows.map((row) => [KEYS[column](row), row]);
    keyed.sort(([a], [b]) => (a < b ? -1 : a > b ? 1 : 0) * (falling ? -1 : 1));
    list.rows = keyed.map(([, row]) => row);
    list.table.tBodies[0].append(...list.rows);
    list.texts = null;
    search();
  }

  const finder = document.getElementById("finder");
  const [sought, kind, matches] = ["f-words", "f-class", "f-count"].map((id) => document.getElementById(id));
  const whole = lists.reduce((sum, list) => sum + list.rows.length, 0);
  const causeOf = (row) => row.cells[0].querySelector("p > b")?.textContent ?? "";
  const kinds = new Set();
  for (const { table, rows } of lists) {
    if (table.dataset.class) kinds.add(table.dataset.class);
    for (const row of rows) {
      const cause = causeOf(row);
      if (cause) kinds.add(`${table.dataset.class}: ${cause}`);
    }
  }
  kind.append(...[...kinds].sort().map((one) => make("option", one, { value: one })));

  // Made when somebody asks for the first time: opening the page does not wait for it.
  const textsOf = (list) => (list.texts ??= list.rows.map((row) => (
    { text: row.cells[0].textContent.toLowerCase(), cause: causeOf(row) })));
  let at = -1;
  let current = null;

  function search() {
    const words = sought.value.toLowerCase().split(/\s+/).filter(Boolean);
    const [cls, cause] = kind.value.split(": ");
    const asked = words.length > 0 || cls !== "";
    let found = 0;
    for (const list of lists) {
      const fits = cls === "" || cls === list.table.dataset.class;
      const texts = asked && fits ? textsOf(list) : [];
      list.found = !asked ? list.rows : !fits ? [] : list.rows.filter((_, n) =>
        (!cause || texts[n].cause === cause) && words.every((word) => texts[n].text.includes(word)));
      list.limit = SHOWN;
      list.table.classList.toggle("none", asked && list.found.length === 0);
      found += list.found.length;
      draw(list);
    }
    at = -1;
    matches.textContent = asked
      ? `${number(found)} of ${number(whole)} rows on this page`
      : `${number(whole)} rows on this page; differences.csv has all`;
  }

  function jump(step) {
    const all = lists.flatMap((list) => list.found.map((row) => [list, row]));
    if (!all.length) return;
    at = (at + step + all.length + (at < 0 && step < 0 ? 1 : 0)) % all.length;
    const [list, row] = all[at];
    const place = list.found.indexOf(row);
    if (place >= list.limit) {
      list.limit = place + SHOWN;
      draw(list);
    }
    const closed = row.closest("details");
    if (closed) closed.open = true;
    current = row;
    row.tabIndex = -1;
    row.focus({ preventScroll: true });
    row.scrollIntoView({ block: "center" });
    matches.textContent = `${number(at + 1)} of ${number(all.length)} rows; Enter goes to the next, Escape back here`;
  }

  // From the row that was found, the keys that found it go on.
  document.addEventListener("keydown", (event) => {
    if (event.target !== current) return;
    if (event.key === "Escape") sought.focus();
    if (event.key === "Enter") jump(event.shiftKey ? -1 : 1);
  });

  if (whole) {
    finder.hidden = false;
    // Nothing that is jumped to ends behind the search, which is higher the narrower the window is.
    new ResizeObserver(() => {
      const covered = getComputedStyle(finder).position === "sticky" ? finder.offsetHeight + 8 : 0;
      document.documentElement.style.scrollPaddingTop = `${covered}px`;
    }).observe(finder);
    finder.addEventListener("submit", (event) => { event.preventDefault(); jump(1); });
    sought.addEventListener("input", search);
    kind.addEventListener("input", search);
    document.getElementById("f-next").addEventListener("click", () => jump(1));
    document.getElementById("f-previous").addEventListener("click", () => jump(-1));
    document.getElementById("f-clear").addEventListener("click", () => {
      sought.value = kind.value = "";
      search();
      sought.focus();
    });
    search();
  }
})();
