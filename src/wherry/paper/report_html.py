"""A report as one HTML file: no address in it is fetched, and it prints in black and white."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from wherry.errors import MissingExtraError

TEMPLATE: Final = """\
<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{ kind_title }}: {{ title }}</title>
<style>
body { font: 15px/1.4 Georgia, "Times New Roman", serif; color: #000; background: #fff; max-width: 62em; margin: 1.5em auto; padding: 0 1em; }
h1 { font-size: 1.6em; margin: 0 0 .2em; } h2 { font-size: 1.2em; margin: 1.6em 0 .4em; border-bottom: 1px solid #000; }
table { border-collapse: collapse; width: 100%; font-size: .87em; } th, td { border: 1px solid #777; padding: .2em .45em; text-align: left; vertical-align: top; }
th { background: #eee; } td.number, th.number { text-align: right; white-space: nowrap; }
.wide { overflow-x: auto; } .caution, .kind { border: 2px solid #000; padding: .5em .9em; margin: 1em 0; }
.kind { font-weight: bold; display: inline-block; } .bad { font-weight: bold; text-decoration: underline; }
code, .code { font-family: "DejaVu Sans Mono", Consolas, monospace; font-size: .85em; overflow-wrap: anywhere; }
figure { margin: 1em 0; } figure svg { max-width: 100%; height: auto; } figcaption { font-style: italic; }
.sign td { height: 2.2em; width: 33%; vertical-align: bottom; }
@media print { body { max-width: none; margin: 0; font-size: 11px; } h2 { break-after: avoid; } tr, figure { break-inside: avoid; } }
</style>
</head>
<body>
<h1>{{ title }}</h1>
<p class="kind">{{ kind_title }}</p>
<p>{{ kind_sentence }}</p>
<h2>Summary</h2>
<ul>{% for each in summary %}<li>{{ each }}</li>{% endfor %}</ul>
<div class="caution"><strong>Cautions</strong><ul>{% for each in cautions %}<li>{{ each }}</li>{% endfor %}</ul></div>

<h2>What this report is made from</h2>
<div class="wide"><table>
{% for name, value in sources %}<tr><th scope="row">{{ name }}</th><td class="code">{{ value }}</td></tr>{% endfor %}
</table></div>

{% for table in tables %}
<h2 id="t{{ loop.index }}">{{ table.title }}</h2>
{% if table.note %}<p>{{ table.note }}</p>{% endif %}
{% if table.rows %}<div class="wide"><table>
<thead><tr>{% for head in table.heads %}<th scope="col"{% if head.is_number %} class="number"{% endif %}>{{ head.text }}</th>{% endfor %}</tr></thead>
<tbody>{% for row in table.rows %}<tr>{% for cell in row %}<td class="{% if table.heads[loop.index0].is_number %}number{% endif %}{% if cell == "NOT kept" %} bad{% endif %}">{{ cell }}</td>{% endfor %}</tr>
{% endfor %}</tbody></table></div>{% else %}<p>None.</p>{% endif %}
{% endfor %}

<h2>Plots</h2>
{% for name, svg in plots %}<figure role="img" aria-label="{{ name }}">{{ svg | safe }}<figcaption>{{ name }}</figcaption></figure>
{% else %}<p>No minute of the run is in the record.</p>{% endfor %}

<h2>What was not tested</h2>
<ul>{% for each in not_tested %}<li>{{ each }}</li>{% else %}<li>Nothing is known to be missing.</li>{% endfor %}</ul>

<h2>Tolerances</h2>
<ul>{% for each in tolerances %}<li>{{ each }}</li>{% else %}<li>None: no rule is bent, and what is read back must be equal.</li>{% endfor %}</ul>

<h2>Signed</h2>
<table class="sign"><tr><td>For the owner</td><td>Signature</td><td>Date</td></tr>
<tr><td>For the installer</td><td>Signature</td><td>Date</td></tr></table>
</body>
</html>
"""


def html(document: Mapping[str, Any]) -> bytes:
    """The page. ``document`` is what ``report_pages.pages`` makes. Every text in it is escaped but the plots' SVG.

    MissingExtraError, with the command that installs it, when the template library is not there.
    """
    try:
        import jinja2
    except ImportError:
        raise MissingExtraError("a report needs a part that is not installed: pip install 'wherry[paper]'") from None
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True)
    return environment.from_string(TEMPLATE).render(document).encode()
