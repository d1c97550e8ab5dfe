// Written by the builder from cards/calculators/window-and-pressure.yaml; change the card, not this file.
(function () {
  'use strict';
  function ok(x) {
    if (!Number.isFinite(x)) { throw new RangeError('no answer'); }
    return x;
  }
  function holds(condition) {
    try { return condition(); } catch (none) { return false; }
  }
  function bisect(at, low, high) {
    var atLow = at(low), atHigh = at(high);
    if (atLow === 0) { return low; }
    if (atHigh === 0) { return high; }
    if (!(atLow * atHigh < 0)) { return NaN; }
    for (var i = 0; i < 200; i += 1) {
      var middle = (low + high) / 2;
      if (middle === low || middle === high) { break; }
      var value = at(middle);
      if (value === 0) { return middle; }
      if ((value < 0) === (atLow < 0)) { low = middle; } else { high = middle; }
    }
    return (low + high) / 2;
  }
  function listDay(days, list) {
    var start = Math.floor(days);
    for (var i = 0; i < 7; i += 1) {
      if (list.indexOf((((start + i + 4) % 7) + 7) % 7) >= 0) { return start + i; }
    }
    return NaN;
  }
  var definition = {
  "id": "window-and-pressure",
  "title": "Window and pressure",
  "inputs": {
    "injected": {
      "label": "Injected on",
      "kind": "date",
      "start": "today"
    },
    "theatre": {
      "label": "Theatre date",
      "kind": "date",
      "start": "today+5"
    },
    "systolic": {
      "label": "Systolic pressure",
      "kind": "number",
      "unit": "mmHg",
      "units": {
        "mmHg": 1.0,
        "kPa": 7.50061575845656
      },
      "low": 60.0,
      "high": 260.0,
      "start": 120.0,
      "decimals": 0,
      "why": "Measure again."
    },
    "diastolic": {
      "label": "Diastolic pressure",
      "kind": "number",
      "unit": "mmHg",
      "units": {
        "mmHg": 1.0,
        "kPa": 7.50061575845656
      },
      "low": 30.0,
      "high": 150.0,
      "start": 80.0,
      "decimals": 0,
      "why": "Measure again."
    },
    "iop": {
      "label": "Infusion pressure",
      "kind": "number",
      "unit": "mmHg",
      "units": {
        "mmHg": 1.0,
        "cmH2O": 0.73555913527668,
        "kPa": 7.50061575845656
      },
      "low": 0.0,
      "high": 120.0,
      "start": 60.0,
      "decimals": null,
      "why": "No console gives it."
    },
    "eye": {
      "label": "Eye",
      "kind": "choice",
      "start": "right",
      "choices": {
        "right": {
          "label": "Right eye",
          "sets": {
            "temporal": 9.0
          }
        },
        "left": {
          "label": "Left eye",
          "sets": {
            "temporal": 3.0
          }
        }
      }
    }
  },
  "constants": {
    "opens_on": 4.0,
    "closes_on": 10.0,
    "limit": 30.0,
    "above": 0.5,
    "listDays": [
      1,
      4
    ]
  },
  "constantLabels": {
    "opens_on": "Window for theatre, lower end",
    "closes_on": "Window for theatre, upper end",
    "limit": "Perfusion not to go below",
    "above": "Port above the meridian"
  },
  "constantUnits": {
    "opens_on": "days",
    "closes_on": "days",
    "limit": "mmHg",
    "above": "clock hours"
  },
  "outputs": {
    "opens": {
      "label": "Window opens",
      "kind": "date",
      "unit": "",
      "decimals": null
    },
    "closes": {
      "label": "Last day of the window",
      "kind": "date",
      "unit": "",
      "decimals": null
    },
    "interval": {
      "label": "Injection to theatre",
      "kind": "number",
      "unit": "days",
      "decimals": 0
    },
    "mean": {
      "label": "Mean arterial pressure",
      "kind": "number",
      "unit": "mmHg",
      "decimals": 1
    },
    "perfusion": {
      "label": "Perfusion pressure, seated",
      "kind": "number",
      "unit": "mmHg",
      "decimals": 1
    },
    "iop_at_limit": {
      "label": "Infusion pressure at the limit",
      "kind": "number",
      "unit": "mmHg",
      "decimals": 1
    },
    "to_spare": {
      "label": "Pressure to spare",
      "kind": "number",
      "unit": "mmHg",
      "decimals": 1
    },
    "spared": {
      "label": "Share of it",
      "kind": "number",
      "unit": "%",
      "decimals": 0
    },
    "list": {
      "label": "First list inside the window",
      "kind": "date",
      "unit": "",
      "decimals": null
    },
    "port": {
      "label": "Upper temporal port",
      "kind": "clock",
      "unit": "clock hours",
      "decimals": null
    }
  },
  "plot": {
    "across": "iop",
    "show": [
      "perfusion"
    ],
    "marks": [
      "limit"
    ],
    "points": 61,
    "bands": [
      {
        "low": "perfusion",
        "high": "mean",
        "label": "What the infusion takes"
      }
    ]
  },
  "diagram": "timeline",
  "roles": {
    "injected": "injected",
    "opens": "opens",
    "closes": "closes",
    "theatre": "theatre"
  },
  "calendar": {
    "title": "Window, for the tests; 1 of 1",
    "from": "opens",
    "to": "closes"
  }
};
  definition.compute = function (given) {
    var v = Object.assign({}, given);
    v.opens = (v.injected + v.opens_on);
    v.closes = (v.injected + v.closes_on);
    v.interval = (v.theatre - v.injected);
    v.mean = (v.diastolic + ok((v.systolic - v.diastolic) / 3));
    v.iop_at_limit = (function () { var w = Object.assign({}, v); var goal = v.limit; return bisect(function (x) { w.iop = x; return ((ok(2 / 3) * (w.diastolic + ok((w.systolic - w.diastolic) / 3))) - w.iop) - goal; }, (-300), 300); }());
    v.port = (v.temporal + (((v.eye === "right") ? 1 : (-1)) * v.above));
    v.perfusion = ((ok(2 / 3) * v.mean) - v.iop);
    v.list = !holds(function () { return (ok(listDay(v.opens, v.listDays)) <= v.closes); }) ? NaN : ok(listDay(v.opens, v.listDays));
    v.to_spare = !holds(function () { return (v.perfusion >= v.limit); }) ? NaN : (v.iop_at_limit - v.iop);
    v.spared = !holds(function () { return (v.perfusion >= v.limit); }) ? NaN : (ok(v.to_spare / v.iop_at_limit) * 100.0);
    return {opens: v.opens, closes: v.closes, interval: v.interval, mean: v.mean, iop_at_limit: v.iop_at_limit, port: v.port, perfusion: v.perfusion, list: v.list, to_spare: v.to_spare, spared: v.spared};
  };
  definition.verdicts = [
    function (v) { return holds(function () { return ((v.interval < v.opens_on) || (v.interval > v.closes_on)); }); },
    function (v) { return holds(function () { return (v.perfusion >= v.limit); }); },
    function (v) { return holds(function () { return (v.perfusion < v.limit); }); }
  ];
  definition.refusals = [
    {test: function (v) { return holds(function () { return (v.systolic <= v.diastolic); }); }, input: "systolic", say: "The systolic pressure must be above the diastolic; check both readings."}
  ];
  definition.withheld = {
    "list": [{test: function (v) { return holds(function () { return (ok(listDay(v.opens, v.listDays)) <= v.closes); }); }, say: "No list falls inside the window."}],
    "to_spare": [{test: function (v) { return holds(function () { return (v.perfusion >= v.limit); }); }, say: "There is none to spare below the limit."}],
    "spared": [{test: function (v) { return holds(function () { return (v.perfusion >= v.limit); }); }, say: "There is none to spare below the limit."}]
  };
  (window.calculators = window.calculators || {})["window-and-pressure"] = definition;
}());
