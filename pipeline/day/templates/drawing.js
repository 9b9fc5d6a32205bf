// Elements made of text alone, and a page that is changed only where it differs: what has the
// focus, and the button under the thumb, stay where they are.
function react(event) { event.currentTarget.does[event.type](event); }

function listen(node, does) {
  Object.keys(does).forEach(function (type) {
    if (!node.does[type]) node.addEventListener(type, react);
  });
  node.does = does;
}

function el(tag, marks, parts) {
  var node = document.createElement(tag);
  var does = {};
  node.does = {};
  Object.keys(marks || {}).forEach(function (name) {
    if (name.slice(0, 2) === "on") does[name.slice(2)] = marks[name];
    else if (marks[name] === true) node.setAttribute(name, "");
    else if (marks[name] !== false && marks[name] !== undefined) node.setAttribute(name, marks[name]);
  });
  listen(node, does);
  [].concat(parts === undefined ? [] : parts).forEach(function (part) { if (part) node.append(part); });
  return node;
}

function sameKind(old, made) {
  return old && old.nodeType === made.nodeType && old.nodeName === made.nodeName && (old.id || "") === (made.id || "");
}

function copyMarks(old, made) {
  Array.from(old.attributes).forEach(function (mark) {
    if (!made.hasAttribute(mark.name)) old.removeAttribute(mark.name);
  });
  Array.from(made.attributes).forEach(function (mark) {
    if (old.getAttribute(mark.name) !== mark.value) old.setAttribute(mark.name, mark.value);
  });
  if (old.nodeName === "INPUT" && old.checked !== made.checked) old.checked = made.checked;
  if ("value" in old && old.value !== made.value) old.value = made.value;
}

function become(old, made) {
  if (old.nodeType === Node.TEXT_NODE) {
    if (old.data !== made.data) old.data = made.data;
    return;
  }
  copyMarks(old, made);
  if (old.does) listen(old, made.does);
  if (old.nodeName === "TEXTAREA") return;
  var wanted = Array.from(made.childNodes);
  wanted.forEach(function (child, place) {
    var here = old.childNodes[place];
    var same = sameKind(here, child) ? here : child.id && Array.from(old.children).find(function (other) {
      return sameKind(other, child);
    });
    if (!same) old.insertBefore(child, here || null);
    else {
      if (same !== here) old.insertBefore(same, here);
      become(same, child);
    }
  });
  while (old.childNodes.length > wanted.length) old.lastChild.remove();
}
