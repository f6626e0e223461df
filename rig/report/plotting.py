"""How a page that stands alone draws its figures: plotly's basic bundle, packed, and each figure as its data.

`scripts/plotly-basic.min.js` is the file of the npm package plotly.js-basic-dist-min, unchanged, in the version that
the Python package plotly carries whole. A quarter of the size, it draws scatter, bar and pie, and no page draws any
other kind. Packed by gzip, it is a third of that again; every browser of these years unpacks it by itself.
"""

from __future__ import annotations

import base64
import gzip
from functools import cache
from pathlib import Path

import plotly.graph_objects as go
from markupsafe import Markup

from rig.answer_units import LAB_UNITS, AnswerUnits
from rig.report.figure_units import in_units

BUNDLE = Path(__file__).parent / "scripts" / "plotly-basic.min.js"
KINDS = frozenset({"scatter", "bar", "pie"})
"""What the bundle draws, as its makers list it."""
_CONFIG = '{"displayModeBar":false,"displaylogo":false,"responsive":true}'
_UNPACK = """window.plotlyReady = (async () => {
  const packed = Uint8Array.from(atob("%s"), c => c.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
  const script = document.createElement("script");
  script.textContent = await new Response(stream).text();
  document.head.append(script);
  return window.Plotly;
})();"""


@cache
def plotting_script() -> Markup:
    """The script that a page with figures begins with: it unpacks the bundle once, for all of them."""
    packed = gzip.compress(BUNDLE.read_bytes(), 9, mtime=0)
    return Markup(_UNPACK % base64.b64encode(packed).decode())


class FiguresOfPage:
    """Puts figures into the page, each under an id that is the same whenever the page is made anew."""

    def __init__(self, units: AnswerUnits = LAB_UNITS) -> None:
        self.count, self.units = 0, units

    def __call__(self, figure: go.Figure) -> Markup:
        """The figure as markup, drawn once the script is there."""
        self.count += 1
        id_ = f"figure-{self.count}"
        # nothing in the data can end the script that holds it
        data = str(in_units(figure, self.units).to_json()).replace("<", "\\u003c")
        draw = (
            f'plotlyReady.then(p => {{ const f = {data}; p.newPlot("{id_}", f.data, f.layout, {_CONFIG}); }})'
        )
        return Markup(f'<div id="{id_}" class="plotly-graph-div"></div><script>{draw}</script>')
