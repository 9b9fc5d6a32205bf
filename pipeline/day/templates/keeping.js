// What is entered, and where it is kept. Every change reads what is kept, changes it and keeps it
// again at once: a closed page loses nothing, and two tabs do not overwrite each other.
var page = JSON.parse(document.getElementById("logbook").textContent);
var memory = {};
var keeps = true;
var strange = false;
var UNKNOWN = "?";
var NUMBER = /^([+-]?)(\d+(?:[.,]\d+)?|[.,]\d+)\s*(\D*)$/;

function keyOf(car) { return "backtoback logbook " + JSON.stringify([page.meeting, car.driver]); }

function keptText(car) {
  if (!keeps) return null;
  try {
    return window.localStorage.getItem(keyOf(car));
  } catch (error) {
    keeps = false;
    return null;
  }
}

function read(car) {
  var text = keptText(car);
  if (text === null) return sound(memory[keyOf(car)] || {});
  try {
    return sound(JSON.parse(text));
  } catch (error) {
    setAside(car, text);
    if (memory[keyOf(car)]) keep(car, memory[keyOf(car)]);
    return sound(memory[keyOf(car)] || {});
  }
}

// What cannot be read is kept beside, never written over.
function setAside(car, text) {
  strange = true;
  try {
    window.localStorage.setItem(keyOf(car) + " unreadable " + Date.now(), text);
    window.localStorage.removeItem(keyOf(car));
  } catch (error) { keeps = false; }
}

function keep(car, state) {
  memory[keyOf(car)] = state;
  if (!keeps) return;
  try {
    window.localStorage.setItem(keyOf(car), JSON.stringify(state));
    keeps = window.localStorage.getItem(keyOf(car)) !== null;
  } catch (error) {
    keeps = false;
  }
}

function words(value) { return typeof value === "string" ? value : ""; }

function soundRun(raw) {
  var run = { id: words(raw.id) || newId(), at: words(raw.at), note: words(raw.note), values: {} };
  var values = raw.values || {};
  Object.keys(values).forEach(function (name) {
    if (typeof values[name] === "string") run.values[name] = values[name];
  });
  if (typeof raw.place === "number") run.place = raw.place;
  return run;
}

function sound(raw) {
  if (raw === null || typeof raw !== "object") throw new Error("no logbook");
  var list = function (value) { return (Array.isArray(value) ? value : []).map(soundRun); };
  var handed = raw.handed || {};
  return {
    runs: list(raw.runs), out: list(raw.out), next: soundRun(raw.next || {}),
    handed: { at: words(handed.at), text: words(handed.text) },
  };
}

function newId() { return "r" + Date.now().toString(36) + Math.random().toString(36).slice(2, 8); }

// A dot before each name: no name of a factor can be one of the language's own.
function given(run, thing) {
  var value = run.values["." + thing.name];
  return value === undefined ? null : value;
}

function set(run, thing, value) { run.values["." + thing.name] = value; }

function startOf(car, factor) { return car.start[page.factors.indexOf(factor)]; }

// What is on the car in a run: what was entered for it, else what the car had last.
function fitted(car, state, place, factor) {
  var run = place < state.runs.length ? state.runs[place] : state.next;
  var own = given(run, factor);
  if (own !== null) return own;
  return place > 0 ? fitted(car, state, place - 1, factor) : startOf(car, factor);
}

function before(car, state, place, factor) {
  return place > 0 ? fitted(car, state, place - 1, factor) : startOf(car, factor);
}

// '5,20 mm' as '5.2', null where it is no number.
function asNumber(text, factor) {
  var match = NUMBER.exec(text.trim());
  if (!match || (match[3] && match[3].trim().toLowerCase() !== factor.unit.toLowerCase())) return null;
  var number = String(Number((match[1] + match[2]).replace(",", ".")) + 0);
  return /e/.test(number) ? null : number;
}

function isWrong(factor, value) {
  return factor.kind === "number" && value !== UNKNOWN && asNumber(value, factor) === null;
}

function decimals(text) { return (text.split(".")[1] || "").length; }

function stepped(factor, value, sign) {
  var start = value === UNKNOWN ? factor.first : asNumber(value, factor);
  if (start === null || start === "") return null;
  if (value === UNKNOWN) return start;
  var digits = Math.max(decimals(start), decimals(factor.step));
  return asNumber((Number(start) + sign * Number(factor.step)).toFixed(Math.min(digits, 10)), factor);
}

function clock() {
  var now = new Date();
  return ("0" + now.getHours()).slice(-2) + ":" + ("0" + now.getMinutes()).slice(-2);
}

// A spreadsheet runs what begins like a formula: a sign before it keeps it text.
function cell(text) {
  var plain = text.replace(/\r\n?/g, "\n");
  var formula = /^\s*[=+\-@\t]/.test(plain) && !/^[+-]?\d+([.,]\d+)?$/.test(plain);
  if (formula) plain = "'" + plain;
  return /[",\n;\t|]/.test(plain) ? '"' + plain.replace(/"/g, '""') + '"' : plain;
}

function sheetRow(car, state, place) {
  var run = state.runs[place];
  var settings = page.factors.map(function (factor) {
    var value = fitted(car, state, place, factor);
    return factor.kind === "number" && !isWrong(factor, value) && value !== UNKNOWN
      ? asNumber(value, factor) : value;
  });
  var scores = page.feels.map(function (feel) { return given(run, feel) || ""; });
  var row = [page.meeting, car.driver, String(place + 1), run.at].concat(settings, scores, [run.note]);
  return row.map(cell).join(",");
}

function sheet(car, state) {
  var names = page.factors.concat(page.feels).map(function (thing) { return thing.name; });
  var head = ["meeting", "driver", "run", "start"].concat(names, ["note"]).join(",");
  var rows = state.runs.map(function (run, place) { return sheetRow(car, state, place); });
  return [head].concat(rows).join("\n") + "\n";
}
