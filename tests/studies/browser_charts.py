"""Charts drawn by general-purpose chart libraries in headless Chromium, as their defaults draw.

The libraries are not part of the project: ``npm install vega echarts chart.js plotly.js-dist-min``
in any folder, and name its ``node_modules``.
"""

from __future__ import annotations

import io
import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

import numpy as np
from drawn_charts import Drawn, Spec
from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from extractor.records import Box

LIBRARIES = {
    "vega": "vega/build/vega.min.js",
    "echarts": "echarts/dist/echarts.min.js",
    "chartjs": "chart.js/dist/chart.umd.min.js",
    "plotly": "plotly.js-dist-min/plotly.min.js",
}

_COMMON = """
const S = %s;
const clock = t => S.clock ? Math.floor(t / 60) + ':' + String(t %% 60).padStart(2, '0')
                           : String(t / 60);
const points = S.t.map((t, i) => [t, S.v[i]]);
const others = S.other === null ? null : S.t.map((t, i) => [t, S.other[i]]);
const faint = S.colour + '38';
document.body.style.cssText = 'margin:0;background:' + S.ground;
const at = document.getElementById('chart');
"""

_DRAW = {
    "vega": """
const table = points.map((p, i) => ({t: p[0], v: p[1], o: others ? others[i][1] : 0, m: S.mean}));
const how = S.step ? 'step-after' : 'linear';
const line = (field, colour, more) => ({type: 'line', from: {data: 'table'}, encode: {enter:
  Object.assign({x: {scale: 'x', field: 't'}, y: {scale: 'y', field}, stroke: {value: colour},
  strokeWidth: {value: S.width}, interpolate: {value: how}}, more || {})}});
const marks = [];
if (S.fill) marks.push({type: 'area', from: {data: 'table'}, encode: {enter: {x: {scale: 'x',
  field: 't'}, y: {scale: 'y', field: 'v'}, y2: {scale: 'y', value: S.low}, fill: {value: S.colour},
  fillOpacity: {value: 0.22}, interpolate: {value: how}}}});
if (others) marks.push(line('o', S.other_colour));
marks.push(line('v', S.colour));
if (S.dots) marks.push({type: 'symbol', from: {data: 'table'}, encode: {enter: {x: {scale: 'x',
  field: 't'}, y: {scale: 'y', field: 'v'}, fill: {value: S.colour},
  size: {value: Math.PI * S.width * S.width * 2.25}}}});
if (S.average) marks.push(line('m', S.colour,
  {strokeWidth: {value: 1}, strokeDash: {value: [8, 6]}}));
const axis = (scale, orient, values, text) => ({scale, orient, values, grid: S.grid,
  gridColor: S.lines, domainColor: S.letters, tickColor: S.letters, labelColor: S.letters,
  labelFontSize: 11, encode: {labels: {update: {text: {signal: text}}}}});
const spec = {width: S.w - 92, height: S.h - 60,
  padding: {left: 70, right: 22, top: 20, bottom: 40}, autosize: 'none',
  background: S.ground, data: [{name: 'table', values: table}],
  scales: [{name: 'x', domain: [0, S.t_end], range: 'width', zero: false, nice: false},
           {name: 'y', domain: [S.low, S.high], range: 'height', zero: false, nice: false}],
  axes: [axis('x', 'bottom', S.t_ticks, S.clock
           ? "floor(datum.value / 60) + ':' + pad(datum.value % 60, 2, '0', 'left')"
           : "datum.value / 60 + ''"),
         axis('y', 'left', S.v_ticks, "datum.value + '" + S.suffix + "'")], marks};
new vega.View(vega.parse(spec), {renderer: 'svg', container: at, hover: false}).runAsync()
  .then(() => { window.plot = [70, 20, S.w - 92, S.h - 60]; });
""",
    "echarts": """
const chart = echarts.init(at, null, {renderer: 'canvas', devicePixelRatio: S.density});
const style = {color: S.letters, fontSize: 11};
const serie = (data, colour, more) => Object.assign({type: 'line', data, symbol: S.dots &&
  colour === S.colour ? 'circle' : 'none', symbolSize: 3 * S.width, showAllSymbol: true,
  itemStyle: {color: colour}, lineStyle: {color: colour, width: S.width},
  step: S.step ? 'end' : false}, more || {});
const series = [];
if (others) series.push(serie(others, S.other_colour));
series.push(serie(points, S.colour, S.fill ? {areaStyle: {color: S.colour, opacity: 0.22}} : {}));
if (S.average) series.push({type: 'line', data: [[0, S.mean], [S.t_end, S.mean]], symbol: 'none',
  lineStyle: {color: S.colour, width: 1, type: [8, 6]}});
chart.setOption({animation: false, backgroundColor: S.ground,
  grid: {left: 70, top: 20, width: S.w - 92, height: S.h - 60},
  xAxis: {type: 'value', min: 0, max: S.t_end, interval: S.t_every, axisLabel: Object.assign({},
    style, {formatter: clock}), splitLine: {show: S.grid, lineStyle: {color: S.lines}},
    axisLine: {lineStyle: {color: S.letters}}, axisTick: {show: true}},
  yAxis: {type: 'value', min: S.low, max: S.high, interval: S.every, axisLabel: Object.assign({},
    style, {formatter: v => v + S.suffix}), splitLine: {show: S.grid, lineStyle: {color: S.lines}},
    axisLine: {show: true, lineStyle: {color: S.letters}}, axisTick: {show: true}}, series});
window.plot = [70, 20, S.w - 92, S.h - 60];
""",
    "chartjs": """
const canvas = document.createElement('canvas');
at.style.cssText = 'position:relative;width:' + S.w + 'px;height:' + S.h + 'px';
at.append(canvas);
const xy = data => data.map(p => ({x: p[0], y: p[1]}));
const set = (data, colour, more) => Object.assign({data: xy(data), borderColor: colour,
  borderWidth: S.width, pointRadius: S.dots && colour === S.colour ? 1.5 * S.width : 0,
  pointBackgroundColor: colour, stepped: S.step ? 'before' : false}, more || {});
const datasets = [];
if (S.average) datasets.push({data: xy([[0, S.mean], [S.t_end, S.mean]]), borderColor: S.colour,
  borderWidth: 1, borderDash: [8, 6], pointRadius: 0});
datasets.push(set(points, S.colour, S.fill ? {fill: 'start', backgroundColor: faint} : {}));
if (others) datasets.push(set(others, S.other_colour));
const chart = new Chart(canvas, {type: 'line', data: {datasets}, options: {animation: false,
  responsive: true, maintainAspectRatio: false, devicePixelRatio: S.density,
  layout: {padding: {right: 22, top: 8}}, plugins: {legend: {display: false}},
  scales: {x: {type: 'linear', min: 0, max: S.t_end, ticks: {stepSize: S.t_every, callback: clock,
      color: S.letters}, grid: {display: S.grid, color: S.lines}, border: {color: S.letters}},
    y: {min: S.low, max: S.high, ticks: {stepSize: S.every, callback: v => v + S.suffix,
      color: S.letters}, grid: {display: S.grid, color: S.lines}, border: {color: S.letters}}}}});
const area = chart.chartArea;
window.plot = [area.left, area.top, area.right - area.left, area.bottom - area.top];
""",
    "plotly": """
const trace = (data, colour, more) => Object.assign({x: data.map(p => p[0]), y: data.map(p => p[1]),
  mode: S.dots && colour === S.colour ? 'lines+markers' : 'lines', type: 'scatter',
  marker: {color: colour, size: 3 * S.width},
  line: {color: colour, width: S.width, shape: S.step ? 'hv' : 'linear'}}, more || {});
const traces = [];
if (others) traces.push(trace(others, S.other_colour));
traces.push(trace(points, S.colour, S.fill ? {fill: 'tozeroy', fillcolor: faint} : {}));
if (S.average) traces.push({x: [0, S.t_end], y: [S.mean, S.mean], mode: 'lines',
  line: {color: S.colour, width: 1, dash: '8px,6px'}});
const axis = (range, values, text) => ({range, tickvals: values, ticktext: text, ticks: 'outside',
  showgrid: S.grid, gridcolor: S.lines, zeroline: false, linecolor: S.letters, showline: true,
  tickfont: {color: S.letters, size: 11}, fixedrange: true});
Plotly.newPlot(at, traces, {width: S.w, height: S.h, margin: {l: 70, r: 22, t: 20, b: 40},
  paper_bgcolor: S.ground, plot_bgcolor: S.ground, showlegend: false,
  xaxis: axis([0, S.t_end], S.t_ticks, S.t_ticks.map(clock)),
  yaxis: axis([S.low, S.high], S.v_ticks, S.v_ticks.map(v => v + S.suffix))},
  {staticPlot: true}).then(g => {
    const s = g._fullLayout._size; window.plot = [s.l, s.t, s.w, s.h]; });
""",
}


@dataclass
class Charts:
    """One Chromium; use as a context manager."""

    modules: Path

    def __enter__(self) -> Charts:
        self._playwright = sync_playwright().start()
        self._chromium: Browser = self._playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--disable-lcd-text"]
        )
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None,
                 trace: TracebackType | None) -> None:  # fmt: skip
        self._chromium.close()
        self._playwright.stop()

    def draw(self, library: str, spec: Spec) -> Drawn:
        wide, high = spec.size
        page = self._chromium.new_page(
            viewport={"width": wide, "height": high}, device_scale_factor=spec.density
        )
        ground, letters, lines = spec.ink
        data = {
            "t": spec.t.tolist(), "v": spec.v.tolist(), "mean": float(spec.v.mean()),
            "other": None if spec.other is None else spec.other.tolist(),
            "other_colour": spec.other_colour, "colour": spec.colour, "width": spec.width,
            "low": spec.value_range[0], "high": spec.value_range[1], "every": spec.every,
            "t_end": spec.t_end, "t_every": spec.t_every, "t_ticks": spec.t_ticks,
            "v_ticks": spec.value_ticks, "clock": spec.clock, "suffix": spec.suffix,
            "fill": spec.fill, "average": spec.average, "dots": spec.dots, "step": spec.step,
            "grid": spec.grid, "ground": ground, "letters": letters, "lines": lines,
            "w": wide, "h": high, "density": spec.density,
        }  # fmt: skip
        page.set_content(f'<div id="chart" style="width:{wide}px;height:{high}px"></div>')
        page.add_script_tag(path=str(self.modules / LIBRARIES[library]))
        page.add_script_tag(
            content="(() => {" + _COMMON % json.dumps(data) + _DRAW[library] + "})()"
        )
        page.wait_for_function("window.plot")
        page.wait_for_timeout(50)
        box = [side * spec.density for side in page.evaluate("window.plot")]
        image = np.asarray(Image.open(io.BytesIO(page.screenshot())).convert("RGB"))
        page.close()
        return Drawn(spec, image, Box(*box)).coded()
