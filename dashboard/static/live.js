// Keeps the page live: puts pieces drawn on the rig in the place of older ones,
// says when the rig is out of reach, and takes values that grew too old off the
// page. Nothing here is needed for reading.
(function () {
  'use strict';
  var SILENT = 10000;  // ms without a word: cut off (the rig speaks every 3 s)
  var AGAIN = 5000;    // ms between tries
  var told = document.getElementById('told');
  var clock = document.getElementById('clock');
  var stream = null, heard = Date.now(), tried = 0, cut = false;
  var due = {};        // until when a value may be shown, by its name, ms
  var at = clock.textContent;

  function say(text, loud) {
    if (told.textContent !== text) told.textContent = text;
    told.className = loud ? 'cut' : '';
  }

  function age() {
    var now = Date.now();
    document.querySelectorAll('[data-live]').forEach(function (el) {
      var until = due[el.dataset.live];
      if (until === undefined) return;
      if (now > until && el.fresh === undefined) {
        el.fresh = el.textContent;
        el.textContent = '–';
        el.setAttribute('aria-label', 'not heard');
        el.classList.add('old');
      } else if (now <= until && el.fresh !== undefined) {
        el.textContent = el.fresh;
        el.fresh = undefined;
        el.removeAttribute('aria-label');
        el.classList.remove('old');
      }
    });
  }

  function lost() {
    if (!cut) {
      cut = true;
      say('▲ Cut off from the rig since ' + at + '. What stands here is from then.', true);
    }
  }

  function open() {
    if (stream) stream.close();
    tried = Date.now();
    stream = new EventSource('/live');
    stream.addEventListener('part', function (e) {
      var p = JSON.parse(e.data), el = document.getElementById(p.id);
      if (el && el.drawn !== p.html) {
        el.innerHTML = p.html;
        el.drawn = p.html;
      }
    });
    stream.addEventListener('beat', function (e) {
      var b = JSON.parse(e.data), name;
      if (b.version !== document.documentElement.dataset.version) {
        location.reload();
        return;
      }
      heard = Date.now();
      at = b.clock;
      clock.textContent = at.slice(0, 5);
      due = {};
      for (name in b.left) due[name] = heard + b.left[name] * 1000;
      cut = false;
      say('Connected to the rig.', false);
      age();
    });
    stream.onerror = lost;
  }

  function watch() {
    var now = Date.now();
    if (now - heard > SILENT) lost();
    if ((cut || stream.readyState === 2) && now - tried > AGAIN) open();
    age();
  }

  open();
  setInterval(watch, 1000);
  document.addEventListener('visibilitychange', function () {
    if (!document.hidden) watch();
  });
  window.addEventListener('pagehide', function () { stream.close(); });
  window.addEventListener('pageshow', function (e) { if (e.persisted) open(); });
})();
