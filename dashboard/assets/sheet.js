// The run sheet as a grid: arrows and Enter move, a paste of cells fills from where it begins, Escape takes a cell back.
"use strict";

window.dash_clientside = window.dash_clientside || {};

(function () {
  let grid = null; // what is drawn: columns, and the body's rows
  let waiting = 0;

  function element(name, parts, inside) {
    const made = document.createElement(name);
    for (const [key, value] of Object.entries(parts)) made.setAttribute(key, value);
    for (const part of inside || []) made.append(part);
    return made;
  }

  function head(column) {
    const cell = element("th", { scope: "col" }, [column.words]);
    if (column.unit) cell.append(element("small", {}, [` ${column.unit}`]));
    return cell;
  }

  function field(column, text, of) {
    const input = element("input", {
      type: "text", autocomplete: "off", spellcheck: "false", maxlength: "500", value: text,
      size: column.number || column.key === "run" ? "7" : "14",
      "aria-label": `${column.words}${column.unit ? ` [${column.unit}]` : ""}, ${of}`,
    });
    if (column.number) input.inputMode = "decimal";
    if (column.help) input.title = column.help;
    if (column.names.length) input.setAttribute("list", `sheet-names-${column.key}`);
    input.dataset.was = text;
    input.dataset.key = column.key;
    input.dataset.help = column.help || "";
    return input;
  }

  function newRow() {
    const of = `new row ${grid.body.querySelectorAll("tr.new").length + 1}`;
    const row = element("tr", { class: "new" });
    grid.columns.forEach(function (column, k) {
      row.append(element(k ? "td" : "th", k ? {} : { scope: "row" }, [field(column, "", of)]));
    });
    grid.body.append(row);
    return row;
  }

  function draw(data) {
    const place = document.getElementById("sheet-grid");
    const body = element("tbody", {});
    grid = { columns: data.columns, body: body };
    for (const run of data.rows) {
      const row = element("tr", { "data-run": run.run }, [element("th", { scope: "row" }, [run.run])]);
      data.columns.slice(1).forEach(function (column, k) {
        row.append(element("td", {}, [field(column, run.cells[k + 1], `run ${run.run}`)]));
      });
      body.append(row);
    }
    for (let k = 0; k < data.spare; k += 1) newRow();
    const top = element("thead", {}, [element("tr", {}, data.columns.map(head))]);
    const caption = element("caption", { class: "unseen" }, ["Runs, the newest last, then rows for new ones"]);
    const lists = data.columns.filter((c) => c.names.length).map(function (column) {
      const options = column.names.map((name) => element("option", { value: name }));
      return element("datalist", { id: `sheet-names-${column.key}` }, options);
    });
    place.replaceChildren(element("table", { class: "run-sheet" }, [caption, top, body]), ...lists);
    place.scrollTop = place.scrollHeight; // the newest runs and the rows for new ones
    tell();
  }

  function rows() {
    return [...grid.body.querySelectorAll("tr")];
  }

  // the cells of a row by column; the name of a run that is there is none
  function cells(row) {
    return [...row.children].map((cell) => cell.querySelector("input"));
  }

  function edits() {
    const out = { cells: {}, new: [] };
    for (const row of rows()) {
      const typed = {};
      for (const input of cells(row)) {
        if (!input) continue;
        const changed = input.value !== input.dataset.was;
        input.classList.toggle("changed", changed);
        if (changed) typed[input.dataset.key] = input.value;
      }
      if (row.dataset.run === undefined) out.new.push(typed);
      else if (Object.keys(typed).length) out.cells[row.dataset.run] = typed;
    }
    return out;
  }

  function tell() {
    window.dash_clientside.set_props("sheet-edits", { data: edits() });
  }

  function typed() {
    window.clearTimeout(waiting);
    waiting = window.setTimeout(tell, 300);
    const last = rows()[rows().length - 1];
    if (cells(last).some((input) => input && input.value)) newRow();
  }

  function at(input) {
    const cell = input.closest("td, th"), row = cell.parentElement;
    return [rows().indexOf(row), [...row.children].indexOf(cell)];
  }

  function go(row, column) {
    const to = rows()[row] && cells(rows()[row])[column];
    if (to) {
      to.focus();
      to.select();
    }
    return Boolean(to);
  }

  // Lines of cells as spreadsheets put them on the clipboard; a first line that names columns says which they are.
  function pasted(input, text) {
    const lines = text.replace(/\r\n?/g, "\n").replace(/\n$/, "").split("\n").map((line) => line.split("\t"));
    const [top, left] = at(input);
    const plain = (words) => words.trim().toLowerCase();
    const named = lines[0].map((word) =>
      grid.columns.findIndex((c) => plain(word) === c.key || (word.trim() && plain(word) === plain(c.words))));
    const headed = lines.length > 1 && lines[0].length > 1 && named.every((k) => k >= 0);
    const columns = headed ? named : lines[0].map((_, k) => left + k);
    (headed ? lines.slice(1) : lines).forEach(function (line, n) {
      while (rows().length <= top + n) newRow();
      const row = cells(rows()[top + n]);
      line.forEach(function (value, k) {
        const to = row[columns[k] === undefined ? left + k : columns[k]];
        if (to) to.value = value.trim();
      });
    });
    typed();
  }

  document.addEventListener("input", function (event) {
    if (event.target.closest && event.target.closest(".sheet-grid")) typed();
  });

  document.addEventListener("paste", function (event) {
    const input = event.target.closest && event.target.closest(".sheet-grid input");
    const text = event.clipboardData ? event.clipboardData.getData("text/plain") : "";
    if (!input || !/[\t\n]/.test(text.replace(/\r?\n$/, ""))) return;
    event.preventDefault();
    pasted(input, text);
  });

  document.addEventListener("keydown", function (event) {
    const input = event.target.closest && event.target.closest(".sheet-grid input");
    if (!input || event.ctrlKey || event.metaKey || event.altKey) return;
    const [row, column] = at(input);
    const start = input.selectionStart === 0, end = input.selectionEnd === input.value.length;
    const offered = input.hasAttribute("list"); // its arrows choose among the names there are
    let went = false;
    if (event.key === "Enter") went = go(row + (event.shiftKey ? -1 : 1), column);
    else if (event.key === "ArrowDown" && !offered) went = go(row + 1, column);
    else if (event.key === "ArrowUp" && !offered) went = go(row - 1, column);
    else if (event.key === "ArrowLeft" && start && !event.shiftKey) went = go(row, column - 1);
    else if (event.key === "ArrowRight" && end && !event.shiftKey) went = go(row, column + 1);
    else if (event.key === "Escape" && input.value !== input.dataset.was) {
      input.value = input.dataset.was;
      typed();
      went = true;
    }
    if (went) event.preventDefault();
  });

  window.dash_clientside.sheet = {
    drawn: function (data) {
      if (data && document.getElementById("sheet-grid")) draw(data);
      return window.dash_clientside.no_update;
    },

    // Each cell that cannot be saved, marked where it stands, with what to do.
    marked: function (faults) {
      if (!grid) return window.dash_clientside.no_update;
      for (const input of grid.body.querySelectorAll("input[aria-invalid]")) {
        input.removeAttribute("aria-invalid");
        input.removeAttribute("aria-description");
        input.title = input.dataset.help;
      }
      const fresh = rows().filter((row) => row.dataset.run === undefined);
      for (const fault of faults || []) {
        const row = fault.new === null ? rows().find((r) => r.dataset.run === fault.run) : fresh[fault.new];
        const input = row && (cells(row).find((i) => i && i.dataset.key === fault.field) || cells(row).find((i) => i));
        if (!input) continue;
        input.setAttribute("aria-invalid", "true");
        input.setAttribute("aria-description", fault.said);
        input.title = fault.said;
      }
      return window.dash_clientside.no_update;
    },
  };
})();
