// Handing on: as a file by share or download, as text to copy, on paper.
function handedWords(state) {
  var text = sheet(car(), state);
  if (!state.runs.length) return "No run is closed yet.";
  if (!state.handed.at) return "Not handed on yet: these runs are on this phone alone.";
  return state.handed.text === text
    ? "Handed on at " + state.handed.at + "; nothing was changed since."
    : "Changed since it was handed on at " + state.handed.at + ": hand it on again.";
}

function markHanded(text) {
  act(function (state) { state.handed = { at: clock(), text: text }; }, function () { tell("Handed on."); });
}

function saveFile() {
  var text = sheet(car(), read(car()));
  var link = el("a", {
    href: URL.createObjectURL(new Blob([text], { type: "text/csv;charset=utf-8" })), download: car().file,
  });
  document.body.append(link);
  link.click();
  link.remove();
  markHanded(text);
}

function asFile() { return new File([sheet(car(), read(car()))], car().file, { type: "text/csv" }); }

function canShare() {
  try {
    return Boolean(navigator.canShare && navigator.canShare({ files: [asFile()] }));
  } catch (error) {
    return false;
  }
}

function shareFile() {
  var text = sheet(car(), read(car()));
  navigator.share({ files: [asFile()], title: car().file }).then(function () { markHanded(text); }, function (error) {
    if (error.name !== "AbortError") tell("Sharing did not work; save the file or copy the text.");
  });
}

function copyText() {
  var area = document.getElementById("whole");
  area.focus();
  area.select();
  if (document.execCommand("copy")) markHanded(area.value);
  else tell("The text is selected: copy it with the phone's own menu.");
}

function handBox(state) {
  var text = sheet(car(), state);
  function button(id, does, words) { return el("button", { type: "button", id: id, onclick: does }, words); }
  return el("section", { id: "part-hand", "aria-labelledby": "head-hand" }, [
    el("h2", { id: "head-hand" }, "Hand on"),
    el("p", { id: "handed" }, handedWords(state)),
    el("div", { class: "row" }, [
      canShare() ? button("share", shareFile, "Share the file") : "",
      button("save", saveFile, "Save the file"),
      button("copy", copyText, "Copy as text"),
    ]),
    el("p", { class: "hint" }, "The file is " + car().file + ". Send it to who keeps the team's folder: it is taken in with backtoback log."),
    el("label", { class: "field" }, [
      el("span", { class: "name" }, "The same as text"),
      el("textarea", { id: "whole", class: "whole", readonly: true, rows: "6", spellcheck: "false" }, text),
    ]),
  ]);
}

function carBox() {
  if (page.cars.length < 2) return "";
  return el("fieldset", { id: "part-cars" }, [
    el("legend", {}, "Whose car"),
    el("div", { class: "choices" }, page.cars.map(function (each, place) {
      return choice("car", "car-" + place, String(place), place === shown, each.driver, each.driver, "", function () {
        shown = place;
        draw();
      });
    })),
  ]);
}

function showKept() {
  var line = document.getElementById("kept");
  var text = keeps ? page.stays : page.refused;
  if (strange) text += " " + page.strange;
  line.classList.toggle("refused", !keeps || strange);
  if (line.textContent !== text) line.textContent = text;
}

var drawn = null;

function snapshot() { return keeps ? keptText(car()) : JSON.stringify(memory[keyOf(car())]); }

function draw() {
  var state = read(car());
  var parts = [carBox(), lastBox(state), nextBox(state), runsBox(state), handBox(state)];
  become(app, el("main", { id: "app", class: "needs-script" }, parts));
  showKept();
  drawn = snapshot();
}

// Another window of the same logbook: show what it entered.
function drawIfChanged() { if (snapshot() !== drawn) draw(); }

var forms = Array.from(document.querySelectorAll("#paper tbody"));

function fillPaper() {
  forms.forEach(function (form, number) {
    var each = page.cars[number];
    var state = read(each);
    var body = form.cloneNode(true);
    document.querySelectorAll("#paper tbody")[number].replaceWith(body);
    state.runs.forEach(function (run, place) {
      if (place >= body.rows.length) body.append(body.rows[0].cloneNode(true));
      var cells = body.rows[place].cells;
      var values = [String(place + 1), run.at].concat(
        page.factors.map(function (factor) { return fitted(each, state, place, factor); }),
        page.feels.map(function (feel) { return given(run, feel) || ""; }), [run.note]);
      values.forEach(function (value, column) {
        cells[column].textContent = value;
      });
    });
  });
}

window.addEventListener("storage", drawIfChanged);
window.addEventListener("pageshow", drawIfChanged);
window.addEventListener("focus", drawIfChanged);
document.addEventListener("visibilitychange", drawIfChanged);
window.addEventListener("beforeprint", fillPaper);
window.addEventListener("beforeunload", function (event) {
  if (keeps || !page.cars.some(function (each) { return read(each).runs.length; })) return;
  event.preventDefault();
  event.returnValue = "";
});

// Asked before anything is entered: a viewer that refuses says so at once.
(function () {
  try {
    window.localStorage.setItem("backtoback logbook", "kept");
    keeps = window.localStorage.getItem("backtoback logbook") === "kept";
  } catch (error) {
    keeps = false;
  }
})();
document.documentElement.classList.add("live");
draw();
