"""QR codes (ISO/IEC 18004) as inline SVG: for a tablet or a phone that is held before the screen or the paper."""

import segno
from markupsafe import Markup


def svg(text: str, name: str) -> Markup:
    """Return the code of a text, black on white; ``name`` says to those who cannot see it what it is."""
    code = segno.make(text, error="m", micro=False)
    drawn = code.svg_inline(scale=4, border=4, light="#fff", svgclass="qr", lineclass=None, omitsize=True)
    # Made here of dark and light squares; the text itself does not stand in it.
    return Markup(drawn).replace(Markup("<svg "), Markup('<svg role="img" aria-label="{}" ').format(name), 1)  # noqa: S704 - see above
