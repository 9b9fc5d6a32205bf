// What is shown: drawn anew after each change from what is kept.
var app = document.getElementById("app");
var shown = 0;
var opened = {};
var lastClosed = -1000;

function tell(text) { document.getElementById("said").textContent = text; }

function car() { return page.cars[shown]; }

function titled(factor) { return factor.label + (factor.unit ? " (" + factor.unit + ")" : ""); }

function shownValue(factor, value) {
  if (value === UNKNOWN) return "not known";
  return value + (factor.unit ? " " + factor.unit : "");
}

// A run by its name: the one that comes next, or one that was closed.
function find(state, id) {
  if (id === "next") return { run: state.next, place: state.runs.length };
  var place = state.runs.findIndex(function (run) { return run.id === id; });
  return place < 0 ? null : { run: state.runs[place], place: place };
}

function act(change, after) {
  var state = read(car());
  var done = change(state) !== false;
  if (done) keep(car(), state);
  draw();
  if (done && after) after();
}

function change(id, alter, after) {
  act(function (state) {
    var found = find(state, id);
    if (found) return alter(found.run, found.place, state);
    tell("That run was taken out in another window.");
    return false;
  }, after);
}

function plannedFor(place) { return car().runs[place] || null; }

function plannedLevel(place, factor) {
  var plan = plannedFor(place);
  return plan ? plan.settings[page.factors.indexOf(factor)] : null;
}

function choice(group, id, value, checked, text, label, small, pick) {
  var input = el("input", {
    type: "radio", name: group, id: id, value: value, checked: checked, onchange: pick,
    "aria-label": label,
  });
  return el("label", { class: "choice" }, [input, el("span", {}, [text, small ? el("small", {}, small) : ""])]);
}

function markText(state, place, factor) {
  var value = fitted(car(), state, place, factor);
  var was = before(car(), state, place, factor);
  return value === was ? "" : "changed, was " + shownValue(factor, was);
}

function levelChoices(id, state, place, factor) {
  var group = id + "-" + factor.name;
  var value = fitted(car(), state, place, factor);
  var levels = factor.levels.indexOf(value) < 0 && value !== UNKNOWN
    ? factor.levels.concat([value]) : factor.levels;
  var boxes = levels.concat([UNKNOWN]).map(function (level, number) {
    var planned = level === plannedLevel(place, factor);
    var label = level === UNKNOWN ? "not known" : shownValue(factor, level) + (planned ? ", planned" : "");
    return choice(group, group + "-" + number, level, level === value, level, label,
      planned ? "planned" : "", function () {
        change(id, function (run) { set(run, factor, level); });
      });
  });
  boxes[boxes.length - 1].className = "choice quiet";
  return el("div", { class: "choices" }, boxes);
}

function numberField(id, state, place, factor) {
  var group = id + "-" + factor.name;
  var value = fitted(car(), state, place, factor);
  var wrong = isWrong(factor, value);
  var planned = plannedLevel(place, factor);
  function step(sign) {
    return function () {
      var made;
      change(id, function (run, where, now) {
        made = stepped(factor, fitted(car(), now, where, factor), sign);
        if (made === null) return false;
        set(run, factor, made);
      });
      tell(made === null ? "Type the first number." : factor.label + " " + shownValue(factor, made));
    };
  }
  var field = el("input", {
    type: "text", inputmode: "decimal", autocomplete: "off", id: group + "-field",
    value: value === UNKNOWN ? "" : value, "aria-label": titled(factor), placeholder: "not known",
    "aria-invalid": wrong ? "true" : undefined, "aria-describedby": wrong ? group + "-wrong" : undefined,
    oninput: function (event) {
      var text = event.target.value.trim();
      keepQuietly(id, function (run) { set(run, factor, text || UNKNOWN); });
    },
    onchange: function (event) {
      var made = asNumber(event.target.value, factor);
      change(id, function (run) {
        if (made !== null) set(run, factor, made);
      });
    },
  });
  function button(sign, text, word) {
    return el("button", { type: "button", id: group + word, onclick: step(sign),
      "aria-label": factor.label + " " + word + " " + factor.step }, text);
  }
  return el("div", {}, [
    el("div", { class: "stepper" }, [button(-1, "−", "less"), field, button(1, "+", "more")]),
    wrong ? el("p", { class: "remark", id: group + "-wrong" },
      "This is no number" + (factor.unit ? " in " + factor.unit : "") + ". Leave it empty for not known.") : "",
    planned ? el("p", { class: "hint" }, "Planned: " + shownValue(factor, planned)) : "",
  ]);
}

// While somebody types, what is typed is kept but nothing is drawn anew.
function keepQuietly(id, alter) {
  var state = read(car());
  var found = find(state, id);
  if (!found) {
    tell("That run was taken out in another window.");
    return;
  }
  alter(found.run);
  keep(car(), state);
  showKept();
}

function factorFields(id, state, place) {
  return page.factors.map(function (factor) {
    var mark = markText(state, place, factor);
    var inside = factor.kind === "number" ? numberField : levelChoices;
    return el("fieldset", {}, [
      el("legend", {}, [titled(factor), mark ? el("span", { class: "mark" }, " " + mark) : ""]),
      inside(id, state, place, factor),
    ]);
  });
}

function feelFields(id, run) {
  return page.feels.map(function (feel) {
    var group = id + "-" + feel.name;
    var value = given(run, feel) || "";
    var boxes = ["-2", "-1", "0", "1", "2", ""].map(function (score, number) {
      var text = score ? score.replace("-", "−") : "–";
      var ends = { "-2": ", " + feel.worse, "2": ", " + feel.better };
      return choice(group, group + "-" + number, score, score === value, text,
        score ? text + (ends[score] || "") : "no answer", "", function () {
          change(id, function (now) { set(now, feel, score); });
        });
    });
    boxes[boxes.length - 1].className = "choice quiet";
    return el("fieldset", { class: "scores" }, [
      el("legend", {}, feel.label),
      el("div", { class: "choices" }, boxes),
      el("p", { class: "ends" }, [el("span", {}, "−2 " + feel.worse), el("span", {}, "2 " + feel.better)]),
    ]);
  });
}

function noteField(id, run) {
  return el("label", { class: "field" }, [
    el("span", { class: "name" }, "Note"),
    el("textarea", { id: id + "-note", rows: "2", onchange: draw, oninput: function (event) {
      var text = event.target.value;
      keepQuietly(id, function (now) { now.note = text; });
    } }, run.note),
  ]);
}

function timeField(id, run) {
  return el("label", { class: "field" }, [
    el("span", { class: "name" }, "Time it went out"),
    el("input", { type: "time", id: id + "-time", value: run.at, onchange: function (event) {
      var text = event.target.value.slice(0, 5);
      change(id, function (now) { now.at = text; });
    } }),
  ]);
}

function planWords(place) {
  var plan = plannedFor(place);
  if (!plan) return "";
  var parts = page.factors.map(function (factor, number) {
    var level = plan.settings[number];
    return level === null ? "" : factor.label + " " + shownValue(factor, level);
  });
  return parts.filter(Boolean).join(", ");
}

function planBox(state, place) {
  var plan = plannedFor(place);
  if (!plan) return "";
  var differ = page.factors.filter(function (factor) {
    var level = plannedLevel(place, factor);
    return level !== null && level !== fitted(car(), state, place, factor);
  });
  var start = plan.start ? ", " + plan.start : "";
  return el("div", { class: "plan" }, [
    el("p", {}, "Planned for run " + (place + 1) + start + ": " + planWords(place) + "."),
    differ.length ? el("div", { class: "row" }, el("button", {
      type: "button", id: "as-planned", onclick: function () {
        change("next", function (run, where) {
          page.factors.forEach(function (factor) {
            var level = plannedLevel(where, factor);
            if (level !== null) set(run, factor, level);
          });
        }, function () { tell("Set as planned."); });
      },
    }, "Set as planned")) : el("p", { class: "hint" }, "This is set as planned."),
  ]);
}

function closeRun() {
  // A tap that lands twice closes one run.
  if (window.performance.now() - lastClosed < 500) return;
  var id = newId();
  var wrong = null;
  change("next", function (run, place, state) {
    wrong = page.factors.find(function (factor) {
      return isWrong(factor, fitted(car(), state, place, factor));
    });
    if (wrong) return false;
    page.factors.forEach(function (factor) { set(run, factor, fitted(car(), state, place, factor)); });
    run.id = id;
    run.at = clock();
    state.runs.push(run);
    state.next = soundRun({});
  }, function () {
    lastClosed = window.performance.now();
    focusOn("head-" + id);
  });
  if (!wrong) return;
  tell(wrong.label + " is no number.");
  focusOn("next-" + wrong.name + "-field");
}

function focusOn(id) {
  var node = document.getElementById(id);
  if (node) node.focus();
}

function nextBox(state) {
  var place = state.runs.length;
  var number = place + 1;
  return el("section", { id: "part-next", "aria-labelledby": "head-next" }, [
    el("h2", { id: "head-next", tabindex: "-1" }, "Run " + number + ": what is on the car"),
    planBox(state, place),
    el("div", {}, factorFields("next", state, place)),
    noteField("next", state.next),
    el("button", { type: "button", class: "main", id: "close", onclick: closeRun }, "Run " + number + " goes out now"),
    el("p", { class: "hint" }, "One tap closes the run with the phone's time. All of it can be mended below."),
  ]);
}

function minutes(text) { return Number(text.slice(0, 2)) * 60 + Number(text.slice(3, 5)); }

function timeRemark(state, place) {
  var at = state.runs[place].at;
  var earlier = state.runs.slice(0, place).reverse().find(function (run) { return run.at; });
  if (!at) return "No time is known for this run.";
  if (!earlier || minutes(at) >= minutes(earlier.at)) return "";
  return "This is before " + earlier.at + ", when a run before it went out. Mend the time if the phone's clock was wrong.";
}

function changesOf(state, place) {
  return page.factors.filter(function (factor) {
    return place === 0 || markText(state, place, factor);
  }).map(function (factor) {
    return factor.label + " " + shownValue(factor, fitted(car(), state, place, factor));
  }).join(", ");
}

function runTitle(state, place) {
  var at = state.runs[place].at;
  return "Run " + (place + 1) + (at ? ", " + at : "");
}

function takeOut(id) {
  var number;
  change(id, function (run, place, state) {
    number = place + 1;
    state.runs.splice(place, 1);
    run.place = place;
    state.out.push(run);
  }, function () {
    tell("Run " + number + " was taken out; those after it moved up. It can be put back below.");
    focusOn("head-runs");
  });
}

function putBack(id) {
  act(function (state) {
    var found = state.out.find(function (run) { return run.id === id; });
    if (!found) return false;
    state.out = state.out.filter(function (run) { return run !== found; });
    state.runs.splice(Math.min(found.place || 0, state.runs.length), 0, found);
    delete found.place;
  }, function () { focusOn("head-runs"); });
}

function addBefore(id) {
  var made = newId();
  change(id, function (run, place, state) {
    var forgotten = soundRun({ id: made });
    page.factors.forEach(function (factor) {
      set(forgotten, factor, before(car(), state, place, factor));
    });
    state.runs.splice(place, 0, forgotten);
    opened[made] = true;
  }, function () { focusOn("head-" + made); });
}

function mendFields(run, state, place) {
  return [
    timeField(run.id, run),
    el("div", {}, factorFields(run.id, state, place)),
    el("div", { class: "row" }, [
      el("button", { type: "button", id: run.id + "-out", onclick: function () { takeOut(run.id); } },
        "Take run " + (place + 1) + " out"),
      el("button", { type: "button", id: run.id + "-add", onclick: function () { addBefore(run.id); } },
        "Add a forgotten run before it"),
    ]),
  ];
}

// Filled only when it is opened: forty runs stay quick.
function folded(id, head, fill) {
  return el("details", { open: Boolean(opened[id]), id: "fold-" + id, ontoggle: function (event) {
    if (Boolean(opened[id]) === event.currentTarget.open) return;
    opened[id] = event.currentTarget.open;
    draw();
  } }, [el("summary", { id: "head-" + id }, el("span", {}, head))].concat(opened[id] ? fill() : []));
}

function lastBox(state) {
  var place = state.runs.length - 1;
  if (place < 0) return "";
  var run = state.runs[place];
  var remark = timeRemark(state, place);
  return el("section", { id: "part-last-" + run.id, "aria-labelledby": "head-" + run.id }, [
    el("h2", { id: "head-" + run.id, tabindex: "-1" }, runTitle(state, place) + (page.feels.length ? ": how did it feel?" : "")),
    el("p", { class: "hint" }, changesOf(state, place) || "Nothing was changed."),
    remark ? el("p", { class: "remark" }, remark) : "",
    el("div", {}, feelFields(run.id, run)),
    noteField(run.id, run),
    folded("mend " + run.id, "Mend run " + (place + 1), function () { return mendFields(run, state, place); }),
  ]);
}

function earlierRun(state, place) {
  var run = state.runs[place];
  var words = changesOf(state, place);
  var remark = timeRemark(state, place);
  return folded(run.id, runTitle(state, place) + (words ? ": " + words : ""), function () {
    return [remark ? el("p", { class: "remark" }, remark) : ""].filter(Boolean).concat(
      feelFields(run.id, run), [noteField(run.id, run)], mendFields(run, state, place));
  });
}

function runsBox(state) {
  var earlier = state.runs.slice(0, -1).map(function (run, place) { return earlierRun(state, place); });
  if (!earlier.length && !state.out.length) return "";
  return el("section", { id: "part-runs", "aria-labelledby": "head-runs" }, [
    el("h2", { id: "head-runs", tabindex: "-1" }, "Runs before"),
    el("div", { class: "runs" }, earlier.reverse()),
    state.out.length ? el("h3", {}, "Taken out") : "",
    el("div", {}, state.out.map(function (run) {
      var words = "Put back the run" + (run.at ? " of " + run.at : " without a time");
      return el("div", { class: "row" }, el("button", {
        type: "button", id: run.id + "-back", onclick: function () { putBack(run.id); },
      }, words));
    })),
  ]);
}
