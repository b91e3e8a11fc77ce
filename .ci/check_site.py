"""Look at built pages: nothing is loaded from another host, every link inside leads somewhere."""

import re
import sys
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

LOADS = {
    "script": "src",
    "img": "src",
    "iframe": "src",
    "source": "src",
    "link": "href",
    "video": "src",
    "audio": "src",
}
IN_STYLES = re.compile(r"""(?:@import\s+(?:url\()?|url\()\s*["']?((?:https?:)?//[^"')\s]+)""")


class Page(HTMLParser):
    """What one page loads, where it leads, and the places in it that can be led to."""

    def __init__(self) -> None:
        super().__init__()
        self.loads: list[str] = []
        self.links: list[str] = []
        self.anchors: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note the addresses of one tag."""
        values = {name: value or "" for name, value in attrs}
        self.anchors |= {values[name] for name in ("id", "name") if name in values}
        if tag in LOADS and values.get(LOADS[tag]) and values.get("rel") != "canonical":
            self.loads.append(values[LOADS[tag]])
        if tag == "a" and "href" in values:
            self.links.append(values["href"])


def outside(address: str) -> bool:
    """Tell whether an address leaves this site."""
    return bool(urlsplit(address).netloc)


def faults(site: Path) -> list[str]:
    """Return one line for each thing that is wrong."""
    pages = {}
    for path in sorted(site.rglob("*.html")):
        page = Page()
        page.feed(path.read_text(encoding="utf-8"))
        pages[path] = page
    found = []
    for path, page in pages.items():
        name = path.relative_to(site)
        found += [f"{name} loads {address} from another host" for address in page.loads if outside(address)]
        if name.name == "404.html":
            continue  # its links are absolute, for a site at the root of a host
        for address in page.links:
            parts = urlsplit(address)
            if parts.scheme or parts.netloc:
                continue
            target = (path.parent / unquote(parts.path)).resolve() if parts.path else path
            target = target / "index.html" if target.is_dir() else target
            if not target.exists():
                found.append(f"{name} leads to {address}, which is not there")
            elif parts.fragment and target in pages and unquote(parts.fragment) not in pages[target].anchors:
                found.append(f"{name} leads to {address}, and there is no such place on that page")
    for path in sorted(site.rglob("*.css")):
        found += [
            f"{path.relative_to(site)} loads {address} from another host"
            for address in IN_STYLES.findall(path.read_text(encoding="utf-8"))
        ]
    if not pages:
        found.append(f"expected built pages in {site}, found none")
    return found


if __name__ == "__main__":
    lines = faults(Path(sys.argv[1]).resolve())
    print("\n".join(lines) or "Pages load nothing from other hosts; every link inside leads somewhere.")
    sys.exit(bool(lines))
