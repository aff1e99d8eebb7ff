"use strict";
/* The engineer's lists: asks, people with their devices and ears, links, last verdicts. */
window.People = (function () {
  var make = Rail.make;

  function one(id) { return document.getElementById(id); }

  function button(parent, words, deed, kind) {
    var made = make("button", kind || "", parent);
    made.type = "button";
    made.textContent = words;
    made.addEventListener("click", deed);
    return made;
  }

  function words(parent, kind, text) {
    var made = make("span", kind, parent);
    made.textContent = text;
    return made;
  }

  /* Redraw a list, and leave the keyboard where it was: by the name that a button carries. */
  function redraw(list, draw) {
    var active = document.activeElement, name = null;
    if (list.contains(active)) { name = active.getAttribute("aria-label"); }
    list.textContent = "";
    draw();
    if (name === null) { return; }
    var again = Array.prototype.filter.call(list.querySelectorAll("button"), function (each) {
      return each.getAttribute("aria-label") === name;
    })[0];
    if (again) { again.focus(); }
  }

  function named(made, label) { made.setAttribute("aria-label", label); return made; }

  function asks(rows, plan, talk) {
    var list = one("asks");
    one("asks-part").hidden = rows.length === 0;
    redraw(list, function () {
      rows.forEach(function (row) {
        var item = make("li", "", list), what = row[1] + " asks for more " + row[2];
        words(item, "", what + " in " + row[3]);
        named(button(item, "+" + plan.more + " dB", function () { talk.say("answer", row[0], 1); },
          "yes"), "Give " + plan.more + " dB more: " + what);
        named(button(item, "Not now", function () { talk.say("answer", row[0], 0); }, "no"),
          "Not now: " + what);
      });
    });
  }

  function hour(unix) {
    var at = new Date(unix * 1000);
    return ("0" + at.getHours()).slice(-2) + ":" + ("0" + at.getMinutes()).slice(-2);
  }

  function ear(item, heard) {
    var line = make("p", "ear small", item);
    var level = heard.level === null ? "silent" : Math.round(heard.level) + " dB(A)";
    words(line, "", "At the ear: " + level + (heard.measured ? ", measured" : ", estimate"));
    words(line, "quiet", " \u00b7 " + heard.percent + " % of a day" +
      (heard.all_measured ? "" : ", estimate") +
      (heard.left_min === null ? "" : " \u00b7 " + heard.left_min + " min left at this level"));
  }

  function device(item, one, name, talk) {
    var line = make("div", "device small", item);
    words(line, one.here ? "" : "quiet", "Device " + one.serial + ", since " + hour(one.since) +
      (one.here ? ": here" : ": away"));
    named(button(line, "Sign out", function () { talk.say("revoke", one.serial); }),
      "Sign out device " + one.serial + " of " + name);
  }

  function people(values, plan, talk) {
    var list = one("people"), ears = values.ears || [];
    one("ears-note").hidden = ears.length === 0;
    redraw(list, function () {
      plan.people.forEach(function (person, number) {
        var item = make("li", "", list);
        var name = make("h3", "", item);
        name.textContent = person.name;
        var deeds = make("div", "do", item);
        var frozen = (values.frozen || [])[number] === 1;
        var freeze = named(button(deeds, "Freeze", function () {
          talk.say("set", person.freeze, frozen ? 0 : 1);
        }), "Freeze " + person.name);
        freeze.setAttribute("aria-pressed", frozen ? "true" : "false");
        named(button(deeds, "Code", function () { talk.say("code", number); }),
          "Code to join for " + person.name);
        ears.forEach(function (heard) { if (heard.name === person.name) { ear(item, heard); } });
        (values.devices || []).forEach(function (each) {
          if (each.who === number) { device(item, each, person.name, talk); }
        });
      });
      var own = make("li", "", list);
      make("h3", "", own).textContent = plan.you + " (engineer)";
      (values.devices || []).forEach(function (each) {
        if (each.who === -1) { device(own, each, plan.you, talk); }
      });
    });
  }

  /* Lead the keyboard back to a button that has this name. */
  function back(label) {
    Array.prototype.some.call(document.querySelectorAll("main button"), function (each) {
      var found = each.getAttribute("aria-label") === label && !each.disabled;
      if (found) { each.focus(); }
      return found;
    });
  }

  function squares(rows) {
    var ns = "http://www.w3.org/2000/svg", edge = 4, size = rows.length + 2 * edge, path = "";
    var svg = document.createElementNS(ns, "svg"), ink = document.createElementNS(ns, "path");
    rows.forEach(function (row, y) {
      row.split("").forEach(function (dark, x) {
        if (dark === "1") { path += "M" + (x + edge) + " " + (y + edge) + "h1v1h-1z"; }
      });
    });
    svg.setAttribute("viewBox", "0 0 " + size + " " + size);
    svg.setAttribute("role", "img");
    svg.setAttribute("aria-label", "QR code to join");
    svg.setAttribute("shape-rendering", "crispEdges");
    ink.setAttribute("d", path);
    ink.setAttribute("fill", "#000");
    svg.appendChild(ink);
    return svg;
  }

  function code(given) {
    var box = one("joining"), fresh = box.hidden || box.getAttribute("data-code") !== given.code;
    box.hidden = false;
    box.setAttribute("data-code", given.code);
    box.textContent = "";
    make("h3", "", box).textContent = given.name + (given.used ? " has joined" : " joins with");
    if (!given.used) {
      box.appendChild(squares(given.rows));
      make("p", "letters", box).textContent = given.code.slice(0, 3) + " " + given.code.slice(3);
      make("p", "small", box).textContent = given.address.split("/#")[0] + " \u00b7 works once, for "
        + given.minutes + " minutes";
      if (/\/\/(localhost|127\.|\[::1\])/.test(given.address)) {
        make("p", "small", box).textContent =
          "No phone reaches this address: it is this machine's own. Name another in [pages].";
      }
    }
    button(box, "Close", function () {
      box.hidden = true;
      back("Code to join for " + given.name);
    });
    if (fresh) { box.focus(); box.scrollIntoView({ block: "nearest" }); }
  }

  var HEALTH = { open: "open", lost: "LOST", closed: "closed", opening: "opening" };

  function links(rows) {
    var list = one("links");
    list.textContent = "";
    rows.forEach(function (row) {
      var item = make("li", "", list);
      words(item, "", row[0] + ": " + (HEALTH[row[1]] || row[1]));
      words(item, "quiet", " \u00b7 " + row[2] + " in, " + row[3] + " out" +
        (row[4] ? ", " + row[4] + " dropped" : "") + (row[5] ? ", " + row[5] + " refused" : ""));
    });
  }

  function last(rows) {
    var list = one("last");
    list.textContent = "";
    if (!rows.length) { make("li", "quiet", list).textContent = "Nothing so far."; }
    rows.forEach(function (row) {
      var item = make("li", "", list);
      words(item, "quiet", row[0] + " \u00b7 ");
      words(item, "", row[2]);
    });
  }

  return { redraw: redraw, asks: asks, people: people, code: code, links: links, last: last };
}());
