"use strict";
/* The engineer's page: all mixes at a glance, one chosen level to move. */
(function () {
  var plan = null, values = {}, cells = {}, rows = [], chosen = null, rail = null;
  var connected = false, enabled = null, refusals = 0, saidNumbers = {}, again = 0;
  var make = Rail.make, text = Rail.text;

  function one(id) { return document.getElementById(id); }

  function announce(words) {
    var live = one("live");
    live.textContent = live.textContent === words ? words + " " : words;
  }

  /* ---- cells ---- */
  function cell(parent, slot, label, within, top, kind) {
    var made = make("button", "cell " + kind, parent);
    made.type = "button";
    var lit = make("i", "none", made), shut = make("b", "", made);
    var of = make("span", "of", made), db = make("span", "db", made);
    var room = make("span", "room", made);
    of.textContent = label;
    var self = { slot: slot, node: made, lit: lit, shut: shut, db: db, room: room, top: top,
                 label: label + " in " + within, value: null };
    if (kind === "master") { self.label = "Master of " + within; }
    made.addEventListener("click", function () { choose(self); });
    made.addEventListener("keydown", function (event) { cellKey(self, event); });
    cells[slot] = self;
    return self;
  }

  function draw(self) {
    var row = self.value;
    if (!row) { return; }
    var at = Rail.place(row[0], self.top);
    var most = row[2] === null ? self.top : row[2], wall = Math.max(at, Rail.place(most, self.top));
    var left = row[2] === null ? null : Math.max(0, row[2] - (row[0] === null ? -60 : row[0]));
    var full = left !== null && left < 0.1;
    self.lit.style.width = 100 * at + "%";
    self.lit.className = at > 0 ? "" : "none";
    self.shut.style.width = 100 * (1 - wall) + "%";
    self.shut.style.visibility = wall < 0.999 ? "visible" : "hidden";
    self.db.textContent = text(row[0]);
    var ramps = row[0] !== null && (row[1] === null || row[0] - row[1] > 0.2);
    self.room.textContent = ramps ? "now " + text(row[1])
      : row[0] === null || left === null ? "" : full ? "at limit" : text(left) + " left";
    self.node.setAttribute("data-off", row[0] === null ? "1" : "0");
    self.node.setAttribute("data-full", full && row[0] !== null ? "1" : "0");
    self.node.setAttribute("aria-label", self.label + ": " +
      (row[0] === null ? "off" : text(row[0]) + " dB") + (ramps ? ", now " + text(row[1]) : "") +
      (left === null ? "" : full ? ", at " + (plan.why[row[3]] || "the limit")
        : ", " + text(left) + " dB to " + (plan.why[row[3]] || "the limit")));
  }

  function cellKey(self, event) {
    var moves = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0] };
    if (event.key === "+" || event.key === "-" || event.key === "=") {
      event.preventDefault();
      choose(self);
      rail.stepped(event.key === "-" ? -1 : 1);
      return;
    }
    var move = moves[event.key];
    if (!move) { return; }
    event.preventDefault();
    var row = rows.findIndex(function (each) { return each.indexOf(self) >= 0; });
    var column = rows[row].indexOf(self) + move[1];
    row += move[0];
    var next = rows[row] && rows[row][column];
    if (next) { rove(next); next.node.focus(); }
  }

  function rove(to) {
    rows.forEach(function (row) {
      row.forEach(function (each) { each.node.tabIndex = each === to ? 0 : -1; });
    });
  }

  function choose(self) {
    if (!connected && self !== null && chosen) { return; }
    if (self !== chosen) { limitsOpen(false); }
    if (chosen) { chosen.node.removeAttribute("aria-current"); }
    if (self === null) { chosen = null; return; }
    chosen = self;
    rove(self);
    self.node.setAttribute("aria-current", "true");
    if (!rail || rail.spec.slot !== self.slot) {
      rail = new Rail.Rail({
        slot: self.slot, label: self.label, top: self.top, why: plan.why, may: true, whole: true,
        talk: function () { return talk; }, road: function () { return plan.road; },
        touched: function () {}, announce: announce
      });
      var list = one("chosen-rail");
      list.textContent = "";
      list.appendChild(rail.node);
      if (values[self.slot]) { rail.value(values[self.slot]); }
      rail.hands(values["h" + self.slot] || []);
    }
    enable();
  }

  /* ---- mixes ---- */
  function build() {
    cells = {};
    rows = [];
    saidNumbers = {};
    rail = enabled = null;
    one("who").textContent = plan.rig;
    document.title = "All mixes: " + plan.rig;
    var heads = one("heads"), part = one("buses");
    heads.textContent = part.textContent = "";
    heads.classList.toggle("many", plan.channels.length > 12);
    document.documentElement.style.setProperty("--channels", plan.channels.length);
    plan.channels.forEach(function (name) {
      var head = make("span", "", heads);
      head.textContent = name;
      head.title = name;
    });
    plan.buses.forEach(function (bus) { part.appendChild(band(bus)); });
    choose(cells[plan.buses[0].master]);
    Presets.begin({ talk: talk, plan: plan, engineer: true });
    Sound.begin({ talk: talk, plan: plan });
    Learn.begin({ talk: talk, plan: plan });
    var before = one("chosen-rail").firstChild;
    if (before) { rove(chosen); }
  }

  function band(bus) {
    var made = make("article", "bus"), side = make("div", "bus-side", made);
    var head = make("div", "bus-head", side), name = make("h3", "", head);
    made.setAttribute("aria-label", "Mix " + bus.label);
    name.textContent = bus.label;
    bus.state = make("span", "state", head);
    bus.node = made;
    var row = [cell(side, bus.master, "Master", bus.label, bus.top, "master")];
    var deeds = make("div", "bus-do", side);
    bus.deeds = [["Open", bus.open], ["Dim", bus.dim], ["Mute", bus.mute], ["Take", bus.hold]]
      .map(function (each) { return deed(deeds, each[0], each[1], bus.label); });
    var group = make("div", "cells", made);
    group.setAttribute("role", "group");
    group.setAttribute("aria-label", "Sends into " + bus.label + "; arrow keys move, plus and " +
      "minus change");
    bus.sends.forEach(function (slot, channel) {
      if (slot === null) { make("span", "", group); return; }
      row.push(cell(group, slot, plan.channels[channel], bus.label, bus.top, ""));
    });
    rows.push(row);
    return made;
  }

  var DEEDS = { Take: "Take over from its performers" };

  function deed(parent, word, slot, label) {
    var made = make("button", "", parent);
    made.type = "button";
    made.textContent = word;
    made.setAttribute("aria-label", (DEEDS[word] || word) + ": " + label);
    made.addEventListener("click", function () {
      talk.say("set", slot, values[slot] === 1 ? 0 : 1);
    });
    return { node: made, slot: slot };
  }

  function buses() {
    plan.buses.forEach(function (bus) {
      var state = values["b" + bus.bus] || "";
      if (bus.node.getAttribute("data-state") !== state) {
        bus.node.setAttribute("data-state", state);
        bus.state.textContent = state;
        bus.state.classList.toggle("off", state === "closed");
      }
      bus.deeds.forEach(function (each) {
        each.node.setAttribute("aria-pressed", values[each.slot] === 1 ? "true" : "false");
      });
    });
  }

  /* ---- the house as a whole ---- */
  var CONSOLE = {
    live: "Console answers",
    lost: "CONSOLE LOST: nothing rises",
    reading: "Console is being read",
    unread: "Console has not answered yet"
  };

  function house(fresh) {
    var node = one("console"), words = CONSOLE[values.console] || "Console: " + values.console;
    if (node.textContent !== words) { node.textContent = words; }
    node.classList.toggle("alarm", values.console !== "live");
    var stage = values.stage, margin = one("margin");
    margin.textContent = !stage ? "" : stage.over ? "PAST A LIMIT OF THE STAGE: nothing rises"
      : stage.left === null ? "" : text(stage.left) + " dB to the feedback margin";
    margin.classList.toggle("alarm", !!(stage && stage.over));
    var frozen = (values.frozen || []).length > 0 && values.frozen.every(function (one) {
      return one === 1;
    });
    one("freeze").setAttribute("aria-pressed", frozen ? "true" : "false");
    if ("frozen" in fresh || "devices" in fresh || "ears" in fresh) {
      People.people(values, plan, talk);
    }
    if (fresh.asks) { People.asks(fresh.asks, plan, talk); }
    if (fresh.links) { People.links(fresh.links); }
    if ("unanswered" in fresh) {
      one("unanswered").hidden = !fresh.unanswered;
      one("unanswered").textContent = fresh.unanswered + " values were not confirmed by the " +
        "console yet; they are sent again.";
    }
    if ("limits" in fresh) { limits(); }
    if (fresh.ails) { list("ails", fresh.ails); }
    if (fresh.memory) { list("memory", fresh.memory); }
    if (fresh.last) { People.last(fresh.last); }
    if (fresh.code && connected) { People.code(fresh.code); }
    silence();
  }

  function list(name, rows) {
    var node = one(name);
    node.textContent = "";
    rows.forEach(function (words) { make("li", "", node).textContent = words; });
  }

  function silence() {
    var on = values[plan.silence] === 1, node = one("silence"), words = "Silence all";
    if (on) { words = again ? "Press again: let it sound" : "All is silent. Let it sound \u2026"; }
    if (node.textContent !== words) { node.textContent = words; }
    node.setAttribute("aria-pressed", on ? "true" : "false");
    document.body.classList.toggle("silent", on);
  }

  one("silence").addEventListener("click", function () {
    if (values[plan.silence] !== 1) { talk.say("set", plan.silence, 1); return; }
    if (again) {
      clearTimeout(again);
      again = 0;
      talk.say("set", plan.silence, 0);
      return;
    }
    again = setTimeout(function () { again = 0; silence(); }, 4000);
    silence();
    announce("Press again to let everything sound");
  });

  one("freeze").addEventListener("click", function () {
    var on = one("freeze").getAttribute("aria-pressed") === "true";
    talk.say("set", plan.freeze, on ? 0 : 1);
  });
  /* ---- limits: how high the chosen level may go, for one or for all ---- */
  function limitsOpen(open) {
    one("limits").hidden = !open;
    one("limit").setAttribute("aria-expanded", open ? "true" : "false");
    if (open) { limits(); }
  }

  function limits() {
    if (one("limits").hidden || !chosen) { return; }
    var bus = busOf(chosen), list = one("limits-who"), row = values[chosen.slot];
    var now = row ? row[0] : null, set = {};
    (values.limits || []).forEach(function (each) {
      if (each[0] === chosen.slot) { set[each[1]] = each[2]; }
    });
    one("limits-title").textContent = "How high may " + chosen.label + " go?";
    People.redraw(list, function () {
      [-1].concat(bus.owners).forEach(function (who) {
        var name = who < 0 ? "Everybody" : plan.people[who].name, item = make("li", "", list);
        var words = make("span", "", item), is = who in set;
        words.textContent = name + (is ? ": no higher than " + text(set[who]) + " dB" : ": as declared");
        limitButton(item, now === null ? "Here" : "Here, " + text(now),
          name + " no higher than it stands now", now === null, function () {
            talk.say("limit", chosen.slot, now, who < 0 ? null : who);
            announce(name + " goes no higher than " + text(now) + " dB in " + chosen.label);
          });
        limitButton(item, "Lift", "Lift the limit of " + name, !is, function () {
          talk.say("limit", chosen.slot, null, who < 0 ? null : who);
          announce("Limit of " + name + " as declared");
        });
      });
    });
  }

  function limitButton(parent, words, label, off, deed) {
    var made = make("button", "", parent);
    made.type = "button";
    made.textContent = words;
    made.setAttribute("aria-label", label);
    made.disabled = off || !connected;
    made.addEventListener("click", deed);
  }

  one("limit").addEventListener("click", function () { limitsOpen(one("limits").hidden); });
  one("limits").addEventListener("keydown", function (event) {
    if (event.key === "Escape") { limitsOpen(false); one("limit").focus(); }
  });
  one("undo").addEventListener("click", function () { talk.say("undo"); });
  one("start").addEventListener("click", function () {
    var bus = busOf(chosen);
    if (bus) { talk.say("start", bus.bus); }
  });
  one("leave").addEventListener("click", function () { Talk.leave("desk"); });

  function busOf(self) {
    return self && plan.buses.filter(function (bus) {
      return bus.master === self.slot || bus.sends.indexOf(self.slot) >= 0;
    })[0];
  }

  function enable() {
    if (!plan) { return; }
    var free = connected && values.ready === 1, bus = busOf(chosen);
    if (rail) { rail.enable(free); }
    one("limit").disabled = one("start").disabled = !free || !chosen;
    if (!free) { limitsOpen(false); }
    Presets.enable(free);
    Sound.enable(connected);
    Learn.enable(connected);
    one("start").setAttribute("aria-label", "Start mix" + (bus ? " of " + bus.label : ""));
    one("undo").disabled = !free || !values.undo;
    one("undo").setAttribute("aria-label", values.undo ? "Undo: " + values.undo : "Undo");
    one("freeze").disabled = one("silence").disabled = one("leave").disabled = !connected;
    plan.buses.forEach(function (bus) {
      bus.deeds.forEach(function (each) { each.node.disabled = !connected; });
    });
    if (enabled !== connected) {               // not `disabled`: the keyboard would lose its place
      enabled = connected;
      Object.keys(cells).forEach(function (slot) {
        cells[slot].node.setAttribute("aria-disabled", connected ? "false" : "true");
      });
    }
    Array.prototype.forEach.call(document.querySelectorAll("#people button, #asks button"),
      function (each) { each.disabled = !connected; });
  }

  function said(slot, row) {
    if (saidNumbers[slot] === row[0]) { return; }
    saidNumbers[slot] = row[0];
    if (rail && String(rail.spec.slot) === slot) { rail.said(row[2], row[1]); return; }
    if (row[2] && cells[slot]) { announce(cells[slot].label + ": " + row[2]); }
  }

  function news(fresh, all) {
    values = all;
    if (!plan) { return; }
    Object.keys(fresh).forEach(function (key) {
      var kind = key.charAt(0), slot = kind === "h" || kind === "s" ? key.slice(1) : key;
      var self = cells[slot];
      if (kind === "s" && /^\d+$/.test(slot)) { said(slot, fresh[key]); return; }
      if (!self) { return; }
      if (kind === "h") {
        var others = fresh[key].filter(function (one) { return one[1] !== plan.road; });
        self.node.classList.toggle("others", others.length > 0);
        if (rail && rail.spec.slot === self.slot) { rail.hands(fresh[key]); }
        return;
      }
      self.value = fresh[key];
      draw(self);
      if (rail && rail.spec.slot === self.slot) { rail.value(fresh[key]); }
    });
    if (fresh.refused && fresh.refused[0] !== refusals) {
      refusals = fresh.refused[0];
      announce(fresh.refused[1]);
    }
    Presets.news(fresh, all);
    Sound.news(fresh);
    Learn.news(fresh, all);
    if (chosen && String(chosen.slot) in fresh) { limits(); }
    buses();
    house(fresh);
    enable();
  }

  var talk = Talk.open("/talk/desk", {
    plan: function (given) {
      var same = plan && JSON.stringify([plan.channels, plan.rig]) ===
        JSON.stringify([given.channels, given.rig]) && plan.buses.length === given.buses.length;
      if (same) {
        plan.road = given.road;
        saidNumbers = {};
        Sound.begin({ talk: talk, plan: plan });
        Learn.begin({ talk: talk, plan: plan });
        return;
      }
      plan = given;
      build();
    },
    news: news,
    connected: function (on) {
      connected = on;
      if (on) { Presets.ask(); }
      enable();
    }
  });
}());
