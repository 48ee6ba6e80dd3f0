"use strict";
(function () {
  const table = document.getElementById("games");
  const body = table.tBodies[0];
  const heads = Array.from(table.tHead.rows[0].cells);
  const order = new Intl.Collator("en", { numeric: true, sensitivity: "base" });

  function key(row, column, number) {
    const cell = row.cells[column];
    const text = cell.dataset.key === undefined ? cell.textContent.trim() : cell.dataset.key;
    return number ? Number(text) : text;
  }

  heads.forEach(function (head, column) {
    const number = head.dataset.kind === "number";
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent;
    head.textContent = "";
    head.append(button);
    button.addEventListener("click", function () {
      const down = head.getAttribute("aria-sort") === "ascending";
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const rows = Array.from(body.rows, (row) => [key(row, column, number), row]);
      rows.sort(function (a, b) {
        const sign = number ? a[0] - b[0] : order.compare(a[0], b[0]);
        return down ? -sign : sign;
      });
      const sorted = document.createDocumentFragment();
      rows.forEach((pair) => sorted.append(pair[1]));
      body.append(sorted);
    });
  });
  heads[0].setAttribute("aria-sort", "ascending");
})();
