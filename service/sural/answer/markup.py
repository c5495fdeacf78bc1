"""Elements of XML as text, for the picture and the page: escaped, well formed, and always in the same order."""

from html import escape


def number(value: float) -> str:
    """A number with one decimal at most."""
    text = f"{value:.1f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def element(name: str, /, *children: str, **attributes: str | float | None) -> str:
    """An element. Children are markup already; an attribute that is None is left out.

    `data_side` becomes data-side and `class_` class.
    """
    parts = [name]
    for key, value in attributes.items():
        if value is not None:
            said = value if isinstance(value, str) else number(value)
            parts.append(f'{key.rstrip("_").replace("_", "-")}="{escape(said)}"')
    head = " ".join(parts)
    return f"<{head}>{''.join(children)}</{name}>" if children else f"<{head}/>"


def words(text: str) -> str:
    """Text as markup."""
    return escape(text, quote=False)
