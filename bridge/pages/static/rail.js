"use strict";
/* A level as a bar: lit as far as it sounds, free as far as it may go, shut beyond. Dragged
   sideways from wherever the finger lies, so nothing jumps; two buttons for steps; a slider for
   keyboards and screen readers. */
window.Rail = (function () {
  var FLOOR = -60, FIRST_DB = -40, BEND = 1.6;
  var SAY_MS = 40, SLIP_PX = 7, SETTLE_MS = 400, BUBBLE_MS = 6000;

  function text(db) { return db === null ? "off" : db.toFixed(1).replace("-", "\u2212"); }

  function place(db, top) {
    if (db === null || db <= FLOOR) { return 0; }
    return Math.min(1, Math.pow((db - FLOOR) / (top - FLOOR), BEND));
  }

  function level(at, top) {
    if (at <= 0) { return null; }
    return FLOOR + Math.pow(Math.min(1, at), 1 / BEND) * (top - FLOOR);
  }

  function step(db, way) {
    /* Finer where it is loud: one dB near the top, more where a dB is hardly heard. */
    if (db === null) { return way > 0 ? FIRST_DB : null; }
    var size = db > -30 ? 1 : db > -40 ? 2 : 4;
    var next = db + way * size;
    return next < FLOOR ? null : Math.round(next * 10) / 10;
  }

  function make(tag, kind, parent) {
    var made = document.createElement(tag);
    if (kind) { made.className = kind; }
    if (parent) { parent.appendChild(made); }
    return made;
  }

  /* spec: slot, label, top, why, may, whole, talk, road, touched(rail), announce(words) */
  function Rail(spec) {
    var self = this;
    this.spec = spec;
    this.asked = null; this.told = null; this.most = null; this.rule = "";
    this.local = undefined;        // what the finger says while it lies there
    this.until = 0;
    this.enabled = false;
    this.node = make("li", "rail" + (spec.whole ? " whole" : ""));
    this.node.setAttribute("data-slot", spec.slot);
    this.less = this.button("\u2212", spec.label + " softer", -1);
    this.bar = make("div", "bar", this.node);
    this.bar.setAttribute("role", "slider");
    this.bar.setAttribute("tabindex", "0");
    this.bar.setAttribute("aria-label", spec.label);
    this.bar.setAttribute("aria-orientation", "horizontal");
    this.lit = make("div", "lit", this.bar);
    this.going = make("div", "going", this.bar);
    this.here = make("div", "here", this.bar);
    this.shut = make("div", "shut", this.bar);
    var words = make("div", "words", this.bar);
    words.setAttribute("aria-hidden", "true");
    this.name = make("span", "name", words);
    this.name.textContent = spec.label;
    this.number = make("span", "level", words);
    this.left = make("span", "left", words);
    this.more = this.button("+", spec.label + " louder", 1);
    this.bubble = make("div", "bubble", this.node);
    this.bubble.hidden = true;
    this.bar.addEventListener("pointerdown", function (e) { self.down(e); });
    this.bar.addEventListener("pointermove", function (e) { self.drag(e); });
    this.bar.addEventListener("pointerup", function (e) { self.up(e); });
    this.bar.addEventListener("pointercancel", function (e) { self.up(e); });
    this.bar.addEventListener("lostpointercapture", function (e) { self.up(e); });
    this.bar.addEventListener("keydown", function (e) { self.key(e); });
    this.draw();
  }

  Rail.prototype.button = function (sign, label, way) {
    var self = this, made = make("button", way > 0 ? "more" : "less", this.node), timer = 0;
    made.type = "button";
    made.textContent = sign;
    made.setAttribute("aria-label", label);
    function stop() { clearTimeout(timer); timer = 0; }
    made.addEventListener("click", function () { self.stepped(way); });
    made.addEventListener("pointerdown", function () {
      stop();
      function again() { self.stepped(way); timer = setTimeout(again, 130); }
      timer = setTimeout(again, 500);
    });
    ["pointerup", "pointerleave", "pointercancel", "blur"].forEach(function (kind) {
      made.addEventListener(kind, stop);
    });
    made.addEventListener("contextmenu", function (e) { e.preventDefault(); });
    return made;
  };

  Rail.prototype.enable = function (on) {
    on = on && this.spec.may;
    this.enabled = on;
    this.less.disabled = this.more.disabled = !on;
    this.bar.setAttribute("aria-disabled", on ? "false" : "true");
    if (!on) { this.local = undefined; this.finger = null; }
    this.draw();
  };

  /* ---- what the bridge says ---- */
  Rail.prototype.value = function (row) {
    this.asked = row[0]; this.told = row[1]; this.most = row[2]; this.rule = row[3];
    if (this.finger === null && this.until && Date.now() >= this.until) { this.settle(); }
    this.draw();
  };

  Rail.prototype.settle = function () { this.local = undefined; this.until = 0; this.draw(); };

  Rail.prototype.hands = function (names) {
    var road = this.spec.road();
    var others = names.filter(function (one) { return one[1] !== road; });
    this.node.classList.toggle("others", others.length > 0);
    this.others = others.map(function (one) { return one[0]; })
      .filter(function (name, at, all) { return all.indexOf(name) === at; });
    this.draw();
  };

  Rail.prototype.said = function (words, outcome) {
    var self = this;
    clearTimeout(this.hush);
    words = words.replace(/-(?=\d)/g, "\u2212");
    this.bubble.textContent = words;
    this.bubble.hidden = words === "";
    if (words === "") { return; }
    var box = this.node.getBoundingClientRect();
    this.bubble.classList.toggle("above", box.bottom > window.innerHeight - 230);
    this.hush = setTimeout(function () { self.bubble.hidden = true; }, BUBBLE_MS);
    this.spec.announce(this.spec.label + ": " + (outcome === "refused" ? "no. " : "") + words);
  };

  /* ---- what it looks like ---- */
  Rail.prototype.shown = function () { return this.local === undefined ? this.asked : this.local; };

  Rail.prototype.room = function () {
    var now = this.shown();
    if (this.most === null) { return null; }
    return Math.max(0, this.most - (now === null ? FLOOR : now));
  };

  Rail.prototype.why = function () { return this.spec.why[this.rule] || "the limit"; };

  Rail.prototype.words = function () {
    if (this.others && this.others.length) { return this.others.join(", ") + " moves this too"; }
    var room = this.room();
    if (room === null) { return ""; }
    if (room < 0.1) { return "At " + this.why(); }
    return text(room) + " dB to " + this.why();
  };

  Rail.prototype.draw = function () {
    var top = this.spec.top, now = this.shown(), most = this.most === null ? top : this.most;
    if (this.local !== undefined && now !== null && this.most !== null && now > most) { now = most; }
    var at = place(now, top), told = Math.min(at, place(this.told, top));
    var wall = Math.max(place(most, top), at), room = this.room();
    this.lit.style.width = 100 * at + "%";
    this.here.style.left = "max(5px, " + 100 * at + "%)";
    this.here.style.visibility = at > 0 ? "visible" : "hidden";
    this.going.style.left = 100 * told + "%";
    this.going.style.width = 100 * Math.max(0, at - told) + "%";
    this.shut.style.width = 100 * (1 - wall) + "%";
    this.shut.style.visibility = wall < 0.999 ? "visible" : "hidden";
    this.number.textContent = text(now);
    this.left.textContent = this.words();
    this.node.setAttribute("data-off", now === null ? "1" : "0");
    this.node.classList.toggle("full", room !== null && room < 0.1);
    this.bar.setAttribute("aria-valuemin", FLOOR);
    this.bar.setAttribute("aria-valuemax", Math.max(FLOOR, most).toFixed(1));
    this.bar.setAttribute("aria-valuenow", (now === null ? FLOOR : now).toFixed(1));
    this.bar.setAttribute("aria-valuetext",
      (now === null ? "off" : text(now) + " dB") + (this.words() ? ", " + this.words() : ""));
  };

  /* ---- hands ---- */
  Rail.prototype.touch = function () {
    this.bubble.hidden = true;
    this.spec.touched(this);
  };

  Rail.prototype.say = function (db) {
    this.last = Date.now();
    this.spec.talk().say("set", this.spec.slot, db === null ? null : Math.round(db * 10) / 10);
  };

  Rail.prototype.stepped = function (way) {
    if (!this.enabled) { return; }
    this.touch();
    this.ask(step(this.shown(), way));
  };

  /* Say a level, and go on from it at once: quick presses must not wait for the bridge's word. */
  Rail.prototype.ask = function (db) {
    var self = this;
    this.say(db);
    if (this.finger !== null) { return; }
    var stays = this.asked !== null && this.asked > this.most ? this.asked : this.most;
    this.local = db !== null && this.most !== null && db > this.most ? stays : db;
    this.until = Date.now() + SETTLE_MS;
    clearTimeout(this.settling);
    this.settling = setTimeout(function () {
      if (self.finger === null) { self.settle(); }
    }, SETTLE_MS);
    this.draw();
  };

  Rail.prototype.key = function (event) {
    var ways = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 3, PageDown: -3 };
    var way = ways[event.key];
    if (way === undefined && event.key !== "Home") { return; }
    event.preventDefault();
    if (!this.enabled) { return; }
    this.touch();
    if (event.key === "Home") { this.ask(null); return; }
    var db = this.shown();
    for (var n = Math.abs(way); n > 0; n -= 1) { db = step(db, way > 0 ? 1 : -1); }
    this.ask(db);
  };

  Rail.prototype.finger = null;

  Rail.prototype.down = function (event) {
    if (!this.enabled || this.finger !== null || event.button > 0) { return; }
    this.finger = event.pointerId;
    clearTimeout(this.settling);
    this.bar.setPointerCapture(event.pointerId);
    this.fromX = event.clientX;
    this.from = this.shown();
    this.slipped = false;
    this.touch();
    this.spec.talk().say("grip", this.spec.slot);
  };

  Rail.prototype.drag = function (event) {
    if (event.pointerId !== this.finger || !this.enabled) { return; }
    var dx = event.clientX - this.fromX;
    if (!this.slipped) {
      if (Math.abs(dx) < SLIP_PX) { return; }
      this.slipped = true;                       // from here on the finger has the bar
      this.fromX += dx > 0 ? SLIP_PX : -SLIP_PX;
      dx = event.clientX - this.fromX;
      this.node.classList.add("held");
    }
    var top = this.spec.top;
    this.local = level(place(this.from, top) + dx / this.bar.clientWidth, top);
    this.draw();
    var self = this;
    if (Date.now() - (this.last || 0) >= SAY_MS) { this.say(this.local); }
    else if (!this.later) {
      this.later = setTimeout(function () {
        self.later = 0;
        if (self.local !== undefined) { self.say(self.local); }
      }, SAY_MS);
    }
  };

  Rail.prototype.up = function (event) {
    if (event.pointerId !== this.finger) { return; }
    var self = this;
    this.finger = null;
    clearTimeout(this.later);
    this.later = 0;
    this.node.classList.remove("held");
    if (this.slipped && this.local !== undefined) { this.say(this.local); }
    this.spec.talk().say("grip", null);
    this.until = Date.now() + SETTLE_MS;         // the state's word comes back within this time
    setTimeout(function () { if (self.finger === null) { self.settle(); } }, SETTLE_MS);
  };

  return { Rail: Rail, text: text, place: place, level: level, make: make };
}());

/* What has the focus is never hidden behind the foot of the page. */
(function () {
  var foot = document.querySelector("footer"), page = document.documentElement;
  new ResizeObserver(function () {
    page.style.scrollPaddingBottom = foot.offsetHeight + 8 + "px";
  }).observe(foot);
}());
