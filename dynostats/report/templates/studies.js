(function () {
  "use strict";
  const body = document.querySelector(".studies tbody");
  const rows = [...body.rows];
  const words = rows.map((row) => row.textContent.toLowerCase());
  const search = document.getElementById("search");
  const shown = document.getElementById("shown");

  // A word is found where a word or a number begins, or "gain" would be found in "against".
  const beginning = (word) =>
    new RegExp("(^|[^\\p{L}])" + word.replace(/[.*+?^${}()|[\]\\]/g, "\\$&"), "u");

  function find() {
    const wanted = search.value.toLowerCase().split(/\s+/).filter(Boolean).map(beginning);
    let kept = 0;
    rows.forEach((row, at) => {
      row.hidden = !wanted.every((word) => word.test(words[at]));
      kept += row.hidden ? 0 : 1;
    });
    shown.textContent = kept + " of " + rows.length + (rows.length === 1 ? " study" : " studies");
    document.getElementById("none").hidden = kept > 0;
  }

  function order(heads, at) {
    const head = heads[at];
    const down = head.getAttribute("aria-sort") === "ascending";
    heads.forEach((one) => one.removeAttribute("aria-sort"));
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    const value = (row) => row.cells[at].dataset.value ?? row.cells[at].textContent.trim();
    const numbers = head.dataset.sort === "number";
    const sorted = [...rows].sort((one, other) => {
      const [a, b] = [value(one), value(other)];
      if (a === "" || b === "") return (a === "") - (b === ""); // unknown last, either way
      const ahead = numbers ? Number(a) - Number(b) : a.localeCompare(b, "en", { numeric: true });
      return down ? -ahead : ahead;
    });
    body.append(...sorted);
  }

  const heads = [...document.querySelectorAll(".studies thead th")];
  heads.forEach((head, at) => {
    if (!head.dataset.sort) return;
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent;
    button.addEventListener("click", () => order(heads, at));
    head.replaceChildren(button);
  });
  search.addEventListener("input", find);
  document.querySelector(".finder").hidden = false;
  find();
})();
