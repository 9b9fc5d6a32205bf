(function () {
  "use strict";
  function key(cell) {
    var raw = cell.getAttribute("data-value");
    var number = parseFloat(raw === null ? "" : raw);
    return isNaN(number) ? cell.textContent.trim() : number;
  }
  function compare(a, b) {
    if (typeof a === "number" && typeof b === "number") return a - b;
    if (typeof a === "number") return -1;
    if (typeof b === "number") return 1;
    return a.localeCompare(b, undefined, { numeric: true });
  }
  function sort(table, head, index) {
    var down = head.getAttribute("aria-sort") === "ascending";
    var body = table.tBodies[0];
    var rows = Array.prototype.slice.call(body.rows);
    rows.sort(function (a, b) {
      var order = compare(key(a.cells[index]), key(b.cells[index]));
      return down ? -order : order;
    });
    rows.forEach(function (row) { body.appendChild(row); });
    Array.prototype.forEach.call(table.tHead.rows[0].cells, function (cell) {
      cell.removeAttribute("aria-sort");
    });
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
  }
  function text(table) {
    return Array.prototype.map.call(table.rows, function (row) {
      return Array.prototype.map.call(row.cells, function (cell) {
        return cell.textContent.trim().replace(/\s+/g, " ");
      }).join("\t");
    }).join("\n");
  }
  function copy(table, button) {
    var area = document.createElement("textarea");
    area.value = text(table);
    document.body.appendChild(area);
    area.select();
    var done = document.execCommand("copy");
    document.body.removeChild(area);
    button.textContent = done ? "Copied" : "Select the table to copy it";
    button.focus();
  }
  // Laid out as cards, a table would no longer be one to assistive technology.
  var roles = { TABLE: "table", THEAD: "rowgroup", TBODY: "rowgroup", TR: "row", TD: "cell" };
  function role(part) {
    if (part.tagName === "TH") return part.scope === "row" ? "rowheader" : "columnheader";
    return roles[part.tagName];
  }
  Array.prototype.forEach.call(document.querySelectorAll("table.cards"), function (table) {
    table.setAttribute("role", "table");
    Array.prototype.forEach.call(table.querySelectorAll("thead,tbody,tr,th,td"), function (part) {
      part.setAttribute("role", role(part));
    });
  });
  Array.prototype.forEach.call(document.querySelectorAll("table"), function (table) {
    Array.prototype.forEach.call(table.tHead.rows[0].cells, function (head, index) {
      var button = document.createElement("button");
      button.type = "button";
      button.className = "sorter";
      while (head.firstChild) button.appendChild(head.firstChild);
      button.addEventListener("click", function () { sort(table, head, index); });
      head.appendChild(button);
    });
    var button = document.createElement("button");
    button.type = "button";
    button.className = "copier";
    button.textContent = "Copy table";
    button.addEventListener("click", function () { copy(table, button); });
    table.parentNode.parentNode.insertBefore(button, table.parentNode.nextSibling);
  });
})();
