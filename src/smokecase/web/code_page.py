"""Two small pages about the one-time code: one asks for it, one shows it."""

from html import escape

from smokecase.languages import say, text
from smokecase.web.one_time_code import qr_as_svg

NETWORK_WARNING = text(
    "Others in this network can see that smokecase runs here, and could read along: what the phone "
    "sends is not encrypted. Open it only in a network you trust, and stop smokecase when you are "
    "done."
)

STYLE = """
:root { color-scheme: light dark;
  --ink: #1c2321; --paper: #f6f4ee; --line: #6b756f; --deep: #0b5c52; }
@media (prefers-color-scheme: dark) {
  :root { --ink: #ecebe4; --paper: #171c1a; --line: #8d9791; --deep: #7fd6c6; } }
body { margin: 0; background: var(--paper); color: var(--ink);
  font: 1.05rem/1.5 system-ui, sans-serif; }
main { max-width: 30rem; margin: 0 auto; padding: 2rem 1.25rem; }
h1 { font-size: 1.5rem; line-height: 1.25; }
a { color: var(--deep); }
label { display: block; margin: 1.5rem 0 .4rem; font-weight: 600; }
input, button { font: inherit; box-sizing: border-box; width: 100%; min-height: 3rem;
  border: 2px solid var(--line); border-radius: .4rem; padding: .5rem .75rem;
  background: transparent; color: inherit; }
input { font-size: 1.5rem; letter-spacing: .15em; text-transform: uppercase; }
button { margin-top: 1rem; background: var(--deep); border-color: var(--deep);
  color: var(--paper); font-weight: 600; cursor: pointer; }
:focus-visible { outline: 3px solid var(--deep); outline-offset: 3px; }
.note { border-left: .3rem solid var(--deep); padding-left: .8rem; }
.code { font: 700 2.2rem/1.3 ui-monospace, monospace; letter-spacing: .08em; }
svg { display: block; max-width: 100%; height: auto; }
"""

# the code stands behind the # of the address that the QR code holds: browsers keep that part to
# themselves, so it stands in no log and a preview of the link spends nothing
FILL_IN = """
const code = location.hash.slice(1);
if (code && !document.body.dataset.wrong) {
  history.replaceState(null, "", "/");
  document.getElementById("code").value = code;
  document.forms[0].submit();
}
"""


def code_page(language: str, *, wrong: bool = False) -> str:
    """Ask for the code.

    Parameters
    ----------
    language : str
    wrong : bool
        Whether the code that was just said does not hold.
    """

    def words(english: str) -> str:
        return escape(say(english, language))

    spent = words("This code does not hold. Each code works once.")
    told = f'<p class="note" role="alert">{spent}</p>' if wrong else ""
    return _page(
        language,
        words("smokecase: code"),
        f"""<h1>{words("Which code does smokecase show?")}</h1>
<p>{words("It stands where smokecase was started, and lets this browser in once.")}</p>{told}
<form method="post" action="/code">
<label for="code">{words("Code of eight letters and numbers")}</label>
<input id="code" name="code" required autocomplete="off" autocapitalize="characters"
 spellcheck="false" maxlength="12">
<button>{words("Go on")}</button></form>
<script>{FILL_IN}</script>""",
        wrong=wrong,
    )


def phone_page(language: str, *, address: str, code: str) -> str:
    """Show the code to the one at the machine, to type or to scan.

    Parameters
    ----------
    language : str
    address : str
        Where the phone finds this machine: ``http://.../``.
    code : str
        The code that holds now.
    """

    def words(english: str) -> str:
        return escape(say(english, language))

    return _page(
        language,
        words("smokecase: a phone"),
        f"""<h1>{words("Film and send from a phone")}</h1>
<p class="note">{words(NETWORK_WARNING)}</p>
<ol><li>{words("Bring the phone into the same network.")}</li>
<li>{words("Scan this with the phone's camera, or open the address and type the code.")}</li></ol>
{qr_as_svg(f"{address}#{code}")}
<p><a href="{escape(address)}">{escape(address)}</a></p>
<p class="code">{escape(code)}</p>
<p>{words("Each code works once. Load this page again for the next one.")}</p>""",
    )


def nothing_to_show(language: str) -> str:
    """Tell that the network is not open, and how it is opened."""

    def words(english: str) -> str:
        return escape(say(english, language))

    return _page(
        language,
        words("smokecase: a phone"),
        f"""<h1>{words("Only this machine can open smokecase")}</h1>
<p>{words("To let a phone in, stop smokecase and start it with the option --open-to-network.")}</p>
<p><a href="/">{words("Back")}</a></p>""",
    )


def _page(language: str, title: str, body: str, *, wrong: bool = False) -> str:
    mark = ' data-wrong="yes"' if wrong else ""
    return (
        f'<!doctype html><html lang="{language}"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{title}</title><style>{STYLE}</style></head>"
        f"<body{mark}><main>{body}</main></body></html>"
    )
