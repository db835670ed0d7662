/* Draws the charts of a page from the data in it, sorts and filters tables, opens fold-outs.
   Nothing is fetched, nothing is evaluated; without this file the page shows still pictures. */
(function () {
  "use strict";
  var root = document.documentElement;
  var holder = document.getElementById("chart-data");
  var charts = holder ? JSON.parse(holder.textContent) : {};
  var DAY = 86400000;

  /* -- charts ------------------------------------------------------------------------------ */
  /* Long columns come packed (charts/packed.py): whole numbers with their power of ten, or the
     first and the count of such as follow one another. */
  var GAP = -999999;
  function unpacked(column) {
    if (!column || Array.isArray(column)) { return column; }
    if ("count" in column) {
      return Array.from({ length: column.count }, function (_, i) { return column.from + i; });
    }
    var power = Math.pow(10, Math.abs(column.tens));
    function value(v) {
      if (Array.isArray(v)) { return v.map(value); }
      return v === GAP ? null : column.tens < 0 ? v / power : v * power;
    }
    return column.of.map(value);
  }
  Object.keys(charts).forEach(function (id) {
    charts[id].data.forEach(function (t) {
      ["x", "y", "z"].forEach(function (k) { if (k in t) { t[k] = unpacked(t[k]); } });
    });
  });

  function resolve(value, styles) {
    if (typeof value === "string") {
      return value.charAt(0) === "@" ? styles.getPropertyValue("--" + value.slice(1)).trim() : value;
    }
    if (Array.isArray(value)) {
      return typeof value[0] === "number" ? value : value.map(function (v) { return resolve(v, styles); });
    }
    if (value && typeof value === "object") {
      var out = {};
      Object.keys(value).forEach(function (k) { out[k] = resolve(value[k], styles); });
      return out;
    }
    return value;
  }
  function days(list) { return list.map(function (d) { return d === null ? null : d * DAY; }); }

  function dated(spec, axis) {
    spec.data.forEach(function (t) {
      if (t[axis]) { t[axis] = days(t[axis]); }
      if (t.type === "bar" && axis === "x" && t.width) {
        t.width = Array.isArray(t.width) ? days(t.width) : t.width * DAY;
      }
    });
    (spec.layout.shapes || []).forEach(function (s) {
      if (s[axis + "ref"] === axis) { s[axis + "0"] *= DAY; s[axis + "1"] *= DAY; }
    });
    (spec.layout.annotations || []).forEach(function (a) {
      if (a[axis + "ref"] === axis) { a[axis] *= DAY; }
    });
    var range = spec.layout[axis + "axis"].range;
    if (range) { spec.layout[axis + "axis"].range = days(range); }
  }

  function prepared(id) {
    var styles = getComputedStyle(root);
    var spec = resolve(JSON.parse(JSON.stringify(charts[id])), styles);
    var narrow = document.getElementById(id).clientWidth < 560;
    ["x", "y"].forEach(function (axis) {
      var a = spec.layout[axis + "axis"];
      if (a.type === "date") { dated(spec, axis); }
      a.title = { text: a.title.text, font: { color: styles.getPropertyValue("--text").trim(), size: 13 }, standoff: 10 };
      a.gridcolor = styles.getPropertyValue("--grid").trim();
      a.linecolor = styles.getPropertyValue("--ink").trim();
      a.tickfont = { color: styles.getPropertyValue("--muted").trim(), size: 12 };
      a.zeroline = false;
      a.automargin = axis === "y";
      a.showline = axis === "x";
      a.separatethousands = true;
      a.exponentformat = "none";
      a.fixedrange = axis === "y";
      if (narrow && axis === "x") { a.nticks = 4; a.tickangle = 0; }
      if (narrow && a.ticktext) {
        a.ticktext = a.ticktext.map(function (t) { return t.length > 20 ? t.slice(0, 19) + "…" : t; });
      }
    });
    spec.data.forEach(function (t) {
      if (t.marker && /-open$|^x$/.test(t.marker.symbol)) { t.marker.line = { width: 2, color: t.marker.color }; }
      if (t.type === "bar" && t.name) { t.hoverlabel = { namelength: -1 }; }
    });
    var base = {
      height: spec.height, margin: { l: 56, r: 14, t: 8, b: 44 }, showlegend: false, autosize: true,
      separators: ".\u202f", dragmode: narrow ? false : "zoom", hovermode: "closest",
      paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: getComputedStyle(document.body).fontFamily, size: 13, color: styles.getPropertyValue("--text").trim() },
      hoverlabel: {
        bgcolor: styles.getPropertyValue("--card").trim(),
        bordercolor: styles.getPropertyValue("--muted").trim(),
        font: { color: styles.getPropertyValue("--text").trim() }
      }
    };
    Object.keys(spec.layout).forEach(function (k) { base[k] = spec.layout[k]; });
    return { data: spec.data, layout: base };
  }

  /* The chart library is large: it is loaded when the first chart comes near, not before. */
  var library = null;
  function withLibrary(then) {
    if (typeof Plotly !== "undefined") { then(); return; }
    if (!library) {
      var place = holder.getAttribute("data-library");
      if (!place) { return; }
      library = document.createElement("script");
      library.src = place;
      document.head.appendChild(library);
    }
    library.addEventListener("load", then);
  }

  function draw(id) { withLibrary(function () { drawNow(id); }); }

  function drawNow(id) {
    var place = document.getElementById(id);
    if (!place) { return; }
    var target = place.querySelector(".live");
    if (!target) {
      target = document.createElement("div");
      target.className = "live";
      target.setAttribute("aria-hidden", "true");
      place.appendChild(target);
    }
    var spec = prepared(id);
    place.classList.add("drawn");
    Plotly.react(target, spec.data, spec.layout, { displayModeBar: false, responsive: true, showTips: false, doubleClick: "reset" })
      .then(function () {
        place.setAttribute("data-drawn", "yes");
        zoomButtons(id, target);
      });
  }

  function zoomButtons(id, target) {
    var row = document.querySelector('.zoom[data-for="' + id + '"]');
    if (!row || !row.hidden) { return; }
    row.hidden = false;
    var first = target._fullLayout.xaxis.range[0], last = -Infinity;
    charts[id].data.forEach(function (t) { last = Math.max(last, t.x[t.x.length - 1] || 0, t.x[0] || 0); });
    var buttons = row.querySelectorAll("button");
    buttons.forEach(function (b) {
      b.setAttribute("aria-pressed", b.dataset.days === "0" ? "true" : "false");
      b.addEventListener("click", function () {
        var span = Number(b.dataset.days);
        var from = span ? (last + 1 - span) * DAY : first;
        Plotly.relayout(target, { "xaxis.range": [from, (last + 1) * DAY] });
        buttons.forEach(function (o) { o.setAttribute("aria-pressed", o === b ? "true" : "false"); });
      });
    });
  }

  var ids = Object.keys(charts).filter(function (id) { return document.getElementById(id); });
  function drawAll() { ids.forEach(function (id) { if (document.getElementById(id).classList.contains("drawn")) { draw(id); } }); }
  if ("IntersectionObserver" in window) {
    var watch = new IntersectionObserver(function (entries) {
      entries.forEach(function (e) {
        if (e.isIntersecting) { watch.unobserve(e.target); draw(e.target.id); }
      });
    }, { rootMargin: "300px" });
    ids.forEach(function (id) { watch.observe(document.getElementById(id)); });
  } else {
    ids.forEach(draw);
  }
  if (window.matchMedia) {
    window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", drawAll);
  }

  /* -- fold-outs ---------------------------------------------------------------------------- */
  function reveal() {
    var target = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    for (var up = target; up; up = up.parentElement) {
      if (up.tagName === "DETAILS") { up.open = true; }
    }
    if (target) { target.scrollIntoView(); }
  }
  window.addEventListener("hashchange", reveal);
  if (location.hash) { reveal(); }

  /* -- tables: sort and filter --------------------------------------------------------------- */
  document.querySelectorAll("table[data-sortable]").forEach(function (table) {
    var body = table.tBodies[0];
    var rows = Array.prototype.slice.call(body.rows);
    var heads = Array.prototype.slice.call(table.tHead.rows[0].cells);
    var filters = document.querySelector('.filters[data-for="' + table.id + '"]');
    var told = filters && filters.querySelector("output");

    function keys(column, numeric) {
      return rows.map(function (row) {
        var cell = row.cells[column];
        if (!numeric) { return cell.textContent; }
        var figure = cell.firstElementChild;
        var value = figure && figure.getAttribute("data-value");
        return value ? Number(value) : null;
      });
    }
    heads.forEach(function (head, column) {
      var button = head.querySelector("button.sort");
      if (!button) { return; }
      button.addEventListener("click", function () {
        var numeric = head.classList.contains("r");
        var down = head.getAttribute("aria-sort") === (numeric ? null : "ascending") ||
          (numeric && head.getAttribute("aria-sort") !== "descending");
        var value = keys(column, numeric);
        var order = rows.map(function (_, i) { return i; });
        var sign = down ? -1 : 1;
        var compare = new Intl.Collator(undefined, { numeric: true }).compare;
        order.sort(function (a, b) {
          var p = value[a], q = value[b];
          if (p === null || q === null) { return (p === null) - (q === null) || a - b; }
          var d = numeric ? p - q : compare(p, q);
          return sign * d || a - b;
        });
        rows = order.map(function (i) { return rows[i]; });
        // All rows are taken out at once: one by one from the top, each would move those below it.
        body.replaceChildren();
        var all = document.createDocumentFragment();
        rows.forEach(function (row) { all.appendChild(row); });
        body.appendChild(all);
        heads.forEach(function (h) { h.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
      });
    });
    if (!filters) { return; }
    filters.hidden = false;
    function apply() {
      var wanted = [], text = "";
      filters.querySelectorAll("select").forEach(function (s) { if (s.value) { wanted.push([Number(s.dataset.column), s.value]); } });
      var field = filters.querySelector("input");
      if (field) { text = field.value.trim().toLowerCase(); }
      var seen = 0;
      rows.forEach(function (row) {
        var on = wanted.every(function (w) { return row.cells[w[0]].textContent === w[1]; }) &&
          (!text || row.cells[0].textContent.toLowerCase().indexOf(text) !== -1);
        row.hidden = !on;
        seen += on ? 1 : 0;
      });
      if (told) { told.textContent = seen + " of " + rows.length + " sites shown"; }
    }
    filters.addEventListener("input", apply);
    filters.addEventListener("change", apply);
    apply();
  });
})();
