"use strict";
/* A performer's page. */
(function () {
  var plan = null, values = {}, rails = {}, shown = 0, last = null, connected = false;
  var held = 0, answers = 0, refusals = 0, saidNumbers = {};

  function one(id) { return document.getElementById(id); }

  function announce(words) {
    var live = one("live");
    live.textContent = live.textContent === words ? words + " " : words;
  }

  function bus() { return plan.buses[shown]; }

  function rail(slot, label, may, whole, ask) {
    var made = new Rail.Rail({
      slot: slot, label: label, top: bus().top, why: plan.why, may: may, whole: whole, ask: ask,
      talk: function () { return talk; },
      road: function () { return plan.road; },
      touched: touched, announce: announce
    });
    rails[slot] = made;
    if (values[slot]) { made.value(values[slot]); }
    if (values["h" + slot]) { made.hands(values["h" + slot]); }
    return made;
  }

  function build() {
    rails = {};
    last = null;
    one("who").textContent = plan.you;
    document.title = plan.you + ": my mix";
    var master = one("master"), sources = one("sources");
    master.textContent = sources.textContent = "";
    master.appendChild(rail(bus().master, "Whole mix", bus().may, true, null).node);
    bus().sends.forEach(function (send) {
      sources.appendChild(rail(send.slot, send.label, send.may, false, send.ask).node);
    });
    tabs();
    touchedDraw();
    enable();
  }

  function tabs() {
    var nav = one("tabs");
    nav.hidden = plan.buses.length < 2;
    nav.textContent = "";
    plan.buses.forEach(function (each, at) {
      var made = Rail.make("button", "", nav);
      made.type = "button";
      made.textContent = each.label;
      made.setAttribute("aria-pressed", at === shown ? "true" : "false");
      made.addEventListener("click", function () {
        shown = at;
        build();
        news({}, values);
        one("tabs").children[at].focus();
      });
    });
  }

  function touched(rail) {
    held = 0;
    if (last && last !== rail) { last.node.classList.remove("last"); }
    last = rail;
    rail.node.classList.add("last");
    touchedDraw();
  }

  function touchedDraw() {
    if (Date.now() < held) { return; }           // an answer is being read
    var ask = one("ask");
    if (!last) {
      one("what").textContent = "";
      one("room").textContent = "Drag a bar sideways, or use \u2212 and +.";
      ask.hidden = true;
      return;
    }
    var now = last.shown();
    one("what").textContent = last.spec.label + " " + Rail.text(now) + (now === null ? "" : " dB");
    one("room").textContent = last.words();
    ask.hidden = last.spec.ask === null;
    var waits = (values.asked || []).indexOf(last.spec.slot) >= 0;
    ask.textContent = waits ? "Asked. " + plan.engineer + " sees it" : "Ask for more";
    ask.setAttribute("aria-label", waits ? plan.engineer + " was asked for more " + last.spec.label
      : "Ask " + plan.engineer + " for more " + last.spec.label);
    ask.disabled = waits || !connected;
  }

  function enable() {
    var free = connected && values.ready === 1;
    Object.keys(rails).forEach(function (slot) { rails[slot].enable(free); });
    one("dim").disabled = !free || bus().dim === null;
    one("mute").disabled = !free || bus().mute === null;
    one("start").disabled = !free;
    one("undo").disabled = !free || !values.undo;
    one("leave").disabled = !connected;
    Presets.enable(free);
  }

  var STATES = {
    closed: "Closed: the engineer opens it",
    opening: "Coming up",
    open: "On",
    muted: "Muted",
    dimmed: "Dimmed",
    silenced: "All is silenced"
  };

  function state() {
    var words = STATES[values["b" + bus().bus]] || "", alarm = false;
    if (values.console === "lost") {
      words = "The console does not answer: nothing gets louder";
    } else if (values.ready !== 1) {
      words = "The console is being read";
    } else if (values[plan.silence] === 1) {
      words = plan.engineer + " has silenced everything";
    } else if (values.frozen === 1) {
      words += ". " + plan.engineer + " has frozen the mixes";
    } else if (values[bus().hold] === 1) {
      words += ". " + plan.engineer + " has this mix";
    }
    alarm = words !== STATES.open;
    var node = one("state");
    if (node.textContent !== words) { node.textContent = words; }
    node.classList.toggle("alarm", alarm);
    var hushed = ["closed", "muted", "silenced"].indexOf(values["b" + bus().bus]) >= 0;
    document.body.classList.toggle("hushed", hushed);
  }

  function press(id, slot) {
    var on = slot !== null && values[slot] === 1;
    one(id).setAttribute("aria-pressed", on ? "true" : "false");
  }

  function news(fresh, all) {
    values = all;
    if (!plan) { return; }
    Object.keys(fresh).forEach(function (key) {
      var kind = key.charAt(0), slot = kind === "h" || kind === "s" ? key.slice(1) : key;
      var rail = rails[slot];
      if (!rail) { return; }
      if (kind === "h") { rail.hands(fresh[key]); }
      else if (kind === "s") { said(rail, fresh[key]); }
      else { rail.value(fresh[key]); }
    });
    if (fresh.answer && fresh.answer[0] !== answers) {
      if (answers !== 0 || connected) { tell(fresh.answer[1]); }
      answers = fresh.answer[0];
    }
    if (fresh.refused && fresh.refused[0] !== refusals) {
      refusals = fresh.refused[0];
      tell(fresh.refused[1]);
    }
    Presets.news(fresh, all);
    press("dim", bus().dim);
    press("mute", bus().mute);
    one("undo").setAttribute("aria-label", values.undo ? "Undo: " + values.undo : "Undo");
    state();
    enable();
    touchedDraw();
  }

  function said(rail, row) {
    if (saidNumbers[rail.spec.slot] === row[0]) { return; }
    saidNumbers[rail.spec.slot] = row[0];
    rail.said(row[2], row[1]);
  }

  function tell(words) {
    if (!words) { return; }
    one("room").textContent = words;
    one("what").textContent = "";
    announce(words);
    held = Date.now() + 4000;
  }
  function flip(id, of) {
    one(id).addEventListener("click", function () {
      var slot = of();
      if (slot !== null) { talk.say("set", slot, values[slot] === 1 ? 0 : 1); }
    });
  }
  flip("dim", function () { return bus().dim; });
  flip("mute", function () { return bus().mute; });
  one("undo").addEventListener("click", function () { talk.say("undo"); });
  one("start").addEventListener("click", function () { talk.say("start", bus().bus); });
  one("leave").addEventListener("click", function () { Talk.leave("mine"); });
  one("ask").addEventListener("click", function () {
    if (last && last.spec.ask !== null) {
      talk.say("set", last.spec.ask, 1);
      announce(plan.engineer + " is asked for more " + last.spec.label);
    }
  });

  var talk = Talk.open("/talk/mine", {
    plan: function (given) {
      var same = plan && JSON.stringify(plan.buses) === JSON.stringify(given.buses);
      plan = given;
      saidNumbers = {};
      if (!same) { shown = Math.min(shown, plan.buses.length - 1); build(); }
      Presets.begin({ talk: talk, plan: plan, engineer: false });
    },
    news: news,
    connected: function (on) {
      connected = on;
      if (on) { Presets.ask(); }
      if (plan) { enable(); touchedDraw(); }
    }
  });
}());
