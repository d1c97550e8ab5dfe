"""What a web host must know of the built site: the security policy and the other headers, in the words of three servers. Pure.

The policy is sent as a header only, never written into a page: a copy opened from a disk or a file share has no headers
and needs none.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from xml.sax.saxutils import quoteattr

APACHE, IIS, NGINX = ".htaccess", "web.config", "hosting/nginx.conf"
CHECKSUMS = "checksums.txt"
NOT_FOUND = "404.html"

# Every kind of file that the site holds. A host that sends another type for one of them breaks it, since it is told to
# trust the type (nosniff); nginx knows only those named here.
TYPES = {
    "html": "text/html", "css": "text/css", "js": "text/javascript", "json": "application/json", "map": "text/plain",
    "webmanifest": "application/manifest+json", "svg": "image/svg+xml", "png": "image/png", "xml": "application/xml",
    "atom": "application/atom+xml", "bib": "text/x-bibtex", "ics": "text/calendar", "txt": "text/plain", "conf": "text/plain",
    "gz": "application/gzip", "zip": "application/zip",
}
CSL = "application/vnd.citationstyles.csl+json"  # of names that end in .csl.json
_COMPRESSED = [t for t in dict.fromkeys(TYPES.values()) if t.startswith("text/") or t.endswith(("json", "xml"))] + [CSL]
_TEXT = {suffix for suffix, type in TYPES.items() if type.startswith("text/")}

# A name with a digest in it always means the same bytes; everything else is asked after at each use, so that a new copy
# counts at once. No-cache keeps a copy and asks; what is unchanged is not sent again.
_LASTING = r"\.[0-9a-f]{8}\.min\.(?:css|js)$"
ASK, LASTS = "no-cache", "public, max-age=31536000, immutable"

HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Permissions-Policy": ", ".join(f"{feature}=()" for feature in (
        "accelerometer", "camera", "display-capture", "geolocation", "gyroscope", "magnetometer", "microphone", "midi", "payment", "usb")),
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}

# An inline script ends where the browser ends it. What has a src is allowed by its place, not by a digest.
_SCRIPT = re.compile(rb"<script\b([^>]*)>(.*?)</script[\s/>]", re.S | re.I)
_HAS_SRC = re.compile(rb"(?:\A|[\s\"'/])src\s*=", re.I)
_DATA = re.compile(rb"\btype\s*=\s*[\"']?application/(?:ld\+)?json[\"'\s]", re.I)  # read by scripts, never run
# The theme writes the way to the site's root into one of its scripts, and nothing else of the page.
_WAY_TO_ROOT = re.compile(rb'new URL\("[\w./~-]*",location\)')


def inline_scripts(pages: Iterable[tuple[str, bytes]]) -> list[bytes]:
    """The different scripts that stand in the pages themselves, in order: one for each depth of folder, and a few the same on all.

    pages: (path, bytes), 404.html among them. That page shows nothing of any card, so what stands there is the theme's;
    raises ValueError if a page holds a script that does not, for the policy would let it run.
    """
    found: dict[bytes, str] = {}
    ours: set[bytes] = set()
    for path, page in pages:
        scripts = [script for attributes, script in _SCRIPT.findall(page) if not _HAS_SRC.search(attributes) and not _DATA.search(attributes + b" ")]
        for script in scripts:
            found.setdefault(script, path)
        if path == NOT_FOUND:
            ours = {_without_way(s) for s in scripts}
    for script, path in found.items():
        if _without_way(script) not in ours:
            raise ValueError(f"{path} holds an inline script that is not the theme's, and no policy may let it run: {script[:60].decode(errors='replace')!r}. "
                             "Move a script of the site's own into a file below site_overrides/assets/javascripts.")
    return sorted(found)


def _without_way(script: bytes) -> bytes:
    return _WAY_TO_ROOT.sub(b"", script)


def policy(scripts: Iterable[bytes]) -> str:
    """The Content-Security-Policy under which these inline scripts run and no other, as one line."""
    # A browser reads a page's line ends as LF before it takes the digest.
    hashes = sorted("'sha256-" + base64.b64encode(hashlib.sha256(s.replace(b"\r\n", b"\n")).digest()).decode() + "'" for s in scripts)
    return "; ".join([
        "default-src 'none'",
        " ".join(["script-src 'self'", *hashes]),
        "style-src 'self'",
        "img-src 'self' data:",  # the theme's style draws its icons from data
        "connect-src 'self'",  # the service worker fetches its copy
        "manifest-src 'self'",
        "worker-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",  # no form of the site is sent anywhere
        "frame-ancestors 'none'",
    ])


@dataclass(frozen=True, slots=True)
class _Site:
    """headers: name and value, the same for every answer; lasting, csl: paths; root: address of the site on its host, / at both ends."""

    headers: dict[str, str]
    lasting: list[str]
    csl: list[str]
    root: str


def configuration(paths: Iterable[str], scripts: Iterable[bytes], address: str = "") -> dict[str, str]:
    """Path in the site -> text of the file that makes a server send the headers.

    paths: every file of the site. scripts: see inline_scripts. address: mkdocs.yml's site_url, if it has one; raises ValueError
    if its path holds a sign that a server's settings could take for their own.
    """
    paths = sorted(paths)
    root = re.sub(r"\A[a-z]+://[^/]*", "", address, flags=re.I)
    if not re.fullmatch(r"[\w./~%-]*", root, re.A):
        raise ValueError(f"The path in site_url, {root!r}, holds a sign that no web server's settings can name; write it with letters, digits and hyphens.")
    site = _Site({"Content-Security-Policy": policy(scripts), **HEADERS}, [p for p in paths if re.search(_LASTING, p)],
                 [p for p in paths if p.endswith(".csl.json")], "/" + root.strip("/") + "/" if root.strip("/") else "/")
    return {APACHE: _apache(site), IIS: _iis(site), NGINX: _nginx(site)}


def checksums(digests: Mapping[str, bytes]) -> str:
    """The text of checksums.txt, for `sha256sum -c`. digests: path -> SHA-256 of each file but this one."""
    return "".join(f"{digests[path].hex()}  {path}\n" for path in sorted(digests))


_HEAD = "Written by `cards build`; a change here is lost with the next one. HOSTING.md says how to use it."


def _nginx(site: _Site) -> str:
    # add_header counts only where no level below has one of its own: so there is none but these.
    return "\n".join([
        f"# {_HEAD}",
        "index index.html;",
        f"error_page 404 {site.root}{NOT_FOUND};",
        "autoindex off;",
        "types {",
        *(f"    {type} {' '.join(s for s, t in TYPES.items() if t == type)};" for type in dict.fromkeys(TYPES.values())),
        "}",
        "default_type application/octet-stream;",
        "charset utf-8;",
        f"charset_types {' '.join(sorted({TYPES[s] for s in _TEXT} - {'text/html'}))};",
        "location ~ \\.csl\\.json$ {",
        "    types { }",
        f"    default_type {CSL};",
        f'    set $cards_cache "{ASK}";',  # what is set outside counts only on a whole server
        "}",
        f'set $cards_cache "{ASK}";',
        f"if ($uri ~ \"{_LASTING}\") {{ set $cards_cache \"{LASTS}\"; }}",
        "add_header Cache-Control $cards_cache always;",
        *(f'add_header {name} "{value}" always;' for name, value in site.headers.items()),
        "gzip on;",
        "gzip_vary on;",
        "gzip_min_length 1024;",
        f"gzip_types {' '.join(t for t in _COMPRESSED if t != 'text/html')};",
        "",
    ])


def _apache(site: _Site) -> str:
    # No IfModule round the headers: a server that cannot send them must say so at the first page, not leave them out.
    return "\n".join([
        f"# {_HEAD}",
        "# Needs mod_headers, and AllowOverride FileInfo Indexes Options. Without mod_headers every page answers 500, on purpose.",
        "Options -Indexes",
        "DirectoryIndex index.html",
        f"ErrorDocument 404 {site.root}{NOT_FOUND}",
        *(f"AddType {type} {' '.join('.' + s for s, t in TYPES.items() if t == type)}" for type in dict.fromkeys(TYPES.values())),
        f"AddCharset utf-8 {' '.join('.' + s for s in TYPES if s in _TEXT)}",
        '<FilesMatch "\\.csl\\.json$">',
        f"    ForceType {CSL}",
        "</FilesMatch>",
        f'Header always set Cache-Control "{ASK}"',
        f'<FilesMatch "{_LASTING}">',
        f'    Header always set Cache-Control "{LASTS}"',
        "</FilesMatch>",
        *(f'Header always set {name} "{value}"' for name, value in site.headers.items()),
        "# Smaller answers, where the server can; nothing is wrong without. It marks the tag of such an answer, and must know it again.",
        """RequestHeader edit If-None-Match '^"(.+)-(?:gzip|br)"$' '"$1"'""",
        *(line for module, filter in (("brotli", "BROTLI_COMPRESS"), ("deflate", "DEFLATE")) for line in (
            f"<IfModule mod_{module}.c>",
            "    <IfModule mod_filter.c>",
            f"        AddOutputFilterByType {filter} {' '.join(_COMPRESSED)}",
            "    </IfModule>",
            "</IfModule>")),
        "",
    ])


def _iis(site: _Site) -> str:
    # Each is taken away first: IIS refuses a name that the server's own settings have too.
    def header(name: str, value: str, indent: str) -> list[str]:
        return [f"{indent}<remove name={quoteattr(name)} />", f"{indent}<add name={quoteattr(name)} value={quoteattr(value)} />"]

    def type(suffix: str, mime: str, indent: str) -> list[str]:
        return [f'{indent}<remove fileExtension=".{suffix}" />', f'{indent}<mimeMap fileExtension=".{suffix}" mimeType="{mime}" />']

    def only(path: str, *lines: str) -> list[str]:
        return [f"  <location path={quoteattr(path)}>", "    <system.webServer>", *lines, "    </system.webServer>", "  </location>"]

    return "\n".join([
        '<?xml version="1.0" encoding="utf-8"?>',
        f"<!-- {_HEAD} -->",
        "<configuration>",
        "  <system.webServer>",
        "    <directoryBrowse enabled=\"false\" />",
        '    <defaultDocument enabled="true">',
        "      <files>",
        "        <clear />",
        '        <add value="index.html" />',
        "      </files>",
        "    </defaultDocument>",
        '    <httpErrors errorMode="Custom">',
        '      <remove statusCode="404" subStatusCode="-1" />',
        f'      <error statusCode="404" subStatusCode="-1" path="{NOT_FOUND}" responseMode="File" />',
        "    </httpErrors>",
        "    <staticContent>",
        '      <clientCache cacheControlMode="NoControl" />',  # the header below says it
        *(line for s, mime in TYPES.items() for line in type(s, mime + "; charset=utf-8" if s in _TEXT else mime, "      ")),
        "    </staticContent>",
        '    <urlCompression doStaticCompression="true" />',
        "    <httpProtocol>",
        "      <customHeaders>",
        *(line for name, value in {"Cache-Control": ASK, **site.headers}.items() for line in header(name, value, "        ")),
        '        <remove name="X-Powered-By" />',
        "      </customHeaders>",
        "    </httpProtocol>",
        "  </system.webServer>",
        *(line for path in site.csl for line in only(
            path, "      <staticContent>", *type("json", CSL, "        "), "      </staticContent>")),
        *(line for path in site.lasting for line in only(
            path, "      <httpProtocol>", "        <customHeaders>", *header("Cache-Control", LASTS, "          "), "        </customHeaders>", "      </httpProtocol>")),
        "</configuration>",
        "",
    ])
