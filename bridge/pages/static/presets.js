"use strict";
/* Presets on both pages: the list, a recall, keeping the mix, and for the engineer what differs. */
window.Presets = (function () {
  var make = Rail.make, numbers = { report: 0, kept: 0, compare: 0 };
  var talk = null, plan = null, engineer = false, again = "";

  function one(id) { return document.getElementById(id); }

  function button(parent, words, label, deed, kind) {
    var made = make("button", kind || "", parent);
    made.type = "button";
    made.textContent = words;
    if (label) { made.setAttribute("aria-label", label); }
    made.addEventListener("click", deed);
    return made;
  }

  function small(parent, words) {
    if (words) { make("span", "quiet small", parent).textContent = words; }
  }

  /* given: talk, plan, engineer */
  function begin(given) {
    talk = given.talk;
    plan = given.plan;
    engineer = given.engineer;
    one("presets-part").hidden = !plan.presets;
    one("store").hidden = !plan.keeps;
    if (engineer) { one("copy").hidden = !plan.keeps || plan.buses.length < 2; choices(); }
  }

  function choices() {
    ["copy-from", "copy-to"].forEach(function (id, which) {
      var list = one(id), before = list.value;
      list.textContent = "";
      plan.buses.forEach(function (bus) {
        var choice = make("option", "", list);
        choice.value = bus.bus;
        choice.textContent = bus.label;
      });
      list.value = before || String(plan.buses[Math.min(which, plan.buses.length - 1)].bus);
    });
  }

  function list(rows, now) {
    var part = one("presets"), active = document.activeElement, name = null;
    if (part.contains(active)) { name = active.getAttribute("aria-label"); }
    part.textContent = "";
    if (!rows.length) { make("li", "quiet", part).textContent = "None so far."; }
    rows.forEach(function (row) {
      var item = make("li", "preset", part), about = make("div", "about", item);
      var title = make("strong", "", about);
      title.textContent = row.label;
      if (row.name === now) { title.textContent += " \u00b7 recalled last"; }
      if (row.fault) { small(about, "Damaged: " + row.fault); return; }
      small(about, engineer ? [row.by, row.when, row.buses.join(", "),
        row.cue ? "cue " + row.cue : ""].filter(Boolean).join(" \u00b7 ") : row.note);
      if (engineer) {
        small(about, row.note);
        button(item, "Compare", "Compare with " + row.label, function () {
          talk.say("compare", row.name);
        });
      }
      button(item, "Recall", "Recall " + row.label, function () { talk.say("recall", row.name); });
    });
    if (name === null) { return; }
    Array.prototype.some.call(part.querySelectorAll("button"), function (each) {
      var same = each.getAttribute("aria-label") === name;
      if (same) { each.focus(); }
      return same;
    });
  }

  function say(words) {
    one("preset-said").textContent = words.replace(/-(?=\d)/g, "\u2212");
  }

  function kept(row) {
    one("store-again").hidden = row[2] !== 1;
    again = row[2] === 1 ? row[1] : "";
    if (row[2] === 1) {
      say("There is a preset \u201c" + row[1] + "\u201d already. Replace it, or choose another " +
        "name.");
    } else {
      say("Kept as \u201c" + row[1] + "\u201d.");
      one("store-label").value = "";
    }
  }

  function compare(found) {
    var box = one("compare");
    box.textContent = "";
    box.hidden = false;
    if (!found.rows.length) {
      make("p", "", box).textContent = "The mix is as " + found.name + " has it.";
      return;
    }
    var table = make("table", "", box);
    make("caption", "", table).textContent = "Not as in " + found.name +
      (found.more ? ", and " + found.more + " more" : "");
    var head = make("tr", "", make("thead", "", table));
    ["What", "Stored", "Now"].forEach(function (words) {
      var cell = make("th", "", head);
      cell.scope = "col";
      cell.textContent = words;
    });
    var body = make("tbody", "", table);
    found.rows.forEach(function (row) {
      var line = make("tr", "", body), name = make("th", "", line);
      name.scope = "row";
      name.textContent = row[0];
      make("td", "", line).textContent = row[1];
      make("td", "", line).textContent = row[2];
    });
    button(box, "Close", "Close the comparison", function () {
      box.hidden = true;
      var opener = one("presets").querySelector("button");
      if (opener) { opener.focus(); }
    });
  }

  function fresh(key, news, number) {
    if (!news[key] || number === numbers[key]) { return false; }
    numbers[key] = number;
    return true;
  }

  function news(given, values) {
    if (given.presets || "preset" in given) { list(values.presets || [], values.preset || ""); }
    if (given.report && fresh("report", given, given.report[0])) { say(given.report[1]); }
    if (given.kept && fresh("kept", given, given.kept[0])) { kept(given.kept); }
    if (given.compare && fresh("compare", given, given.compare.count)) { compare(given.compare); }
  }

  function enable(on) {
    Array.prototype.forEach.call(one("presets-part").querySelectorAll("button, input, select"),
      function (each) { each.disabled = !on; });
  }

  one("store").addEventListener("submit", function (event) {
    event.preventDefault();
    var label = one("store-label").value.trim();
    one("store-again").hidden = true;
    if (label) { talk.say("store", 0, label); }
  });
  one("store-again").addEventListener("click", function () {
    one("store-again").hidden = true;
    one("store-label").focus();
    talk.say("store", 1, again);
  });
  if (one("copy")) {
    one("copy").addEventListener("submit", function (event) {
      event.preventDefault();
      var from = Number(one("copy-from").value), to = Number(one("copy-to").value);
      if (from === to) { say("Choose two different mixes."); return; }
      talk.say("copy", from, to);
    });
  }

  return {
    begin: begin, news: news, enable: enable,
    ask: function () {
      numbers = { report: 0, kept: 0, compare: 0 };
      if (plan && plan.presets) { talk.say("presets"); }
    }
  };
}());
