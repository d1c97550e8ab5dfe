"""A web host that sends what the written settings say: each of the three texts is read here as its server reads it.

Only what `builder/hosting.py` writes is understood; any other word in a text fails, so that nothing in it goes untested.
"""

from __future__ import annotations

import functools
import http.server
import re
import shlex
import threading
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import unquote, urlsplit
from xml.etree import ElementTree

from builder import hosting

Answer = Callable[[str], dict[str, str]]


@dataclass
class Told:
    """What a text says. answer: path in the site -> header -> value, Content-Type and Cache-Control among them."""

    answer: Answer
    not_found: str  # as the text names it
    listing: bool
    index: str
    compressed: set[str] = field(default_factory=set)


def _suffix(path: str) -> str:
    return path.rpartition("/")[2].rpartition(".")[2]


def nginx(text: str) -> Told:
    lines = re.sub(r"^\s*#.*\n", "", text, flags=re.M)
    words: dict[str, list[list[str]]] = {}
    blocks = {}

    def take(pattern: str) -> list[tuple[str, ...]]:
        nonlocal lines
        found = re.findall(pattern, lines, re.S | re.M)
        lines = re.sub(pattern, "", lines, flags=re.S | re.M)
        return found

    blocks["if"] = take(r'^if \(\$uri ~ "([^"]+)"\) \{ set \$cards_cache "([^"]+)"; \}\n')
    blocks["location"] = take(r'^location ~ (\S+) \{\s*types \{ \}\s*default_type (\S+);\s*set \$cards_cache "no-cache";\s*\}\n')
    blocks["types"] = take(r"^types \{(.*?)^\}\n")
    for line in lines.splitlines():
        assert line.endswith(";"), line
        name, *rest = shlex.split(line[:-1])
        words.setdefault(name, []).append(rest)
    assert set(words) == {"index", "error_page", "autoindex", "default_type", "charset", "charset_types", "set", "add_header", "gzip", "gzip_vary", "gzip_min_length", "gzip_types"}
    [types] = blocks["types"]
    of_suffix = {s: line.split()[0] for line in types.split(";") if line.strip() for s in line.split()[1:]}
    [[variable, otherwise]] = words["set"]
    assert variable == "$cards_cache" and all(h[-1] == "always" for h in words["add_header"])

    def answer(path: str) -> dict[str, str]:
        special = next((type for pattern, type in blocks["location"] if re.search(pattern, "/" + path)), None)
        type = special or of_suffix.get(_suffix(path), words["default_type"][0][0])
        if type == "text/html" or type in words["charset_types"][0]:  # the first by nginx's own rule
            type += f"; charset={words['charset'][0][0]}"
        cache = next((value for pattern, value in blocks["if"] if re.search(pattern, "/" + path)), otherwise)
        return {"Content-Type": type, **{name: cache if value == variable else value for name, value, _ in words["add_header"]}}

    return Told(answer, words["error_page"][0][1], words["autoindex"] != [["off"]], words["index"][0][0], {"text/html", *words["gzip_types"][0]})


def apache(text: str) -> Told:
    types: dict[str, str] = {}
    charset: dict[str, str] = {}
    headers: list[tuple[str, str, str]] = []  # pattern of the file's name, header, value
    forced: list[tuple[str, str]] = []
    said: dict[str, str] = {}
    compressed: list[set[str]] = []
    files, modules = "", []
    for line in text.splitlines():
        name, *rest = shlex.split(line, comments=True) or [""]
        if name.startswith("<"):
            section, value = name.strip("<>"), rest[0].removesuffix(">") if rest else ""
            if section == "FilesMatch":
                files = value
            elif section == "/FilesMatch":
                files = ""
            elif section == "IfModule":
                modules.append(value)
            else:
                assert section == "/IfModule", line
                modules.pop()
        elif name == "Header":
            assert rest[:2] == ["always", "set"] and not modules, line
            headers.append((files, rest[2], rest[3]))
        elif name == "AddType":
            types |= {s.lstrip("."): rest[0] for s in rest[1:]}
        elif name == "AddCharset":
            charset |= {s.lstrip("."): rest[0] for s in rest[1:]}
        elif name == "ForceType":
            forced.append((files, rest[0]))
        elif name == "AddOutputFilterByType":
            assert modules, "A server without the module would refuse every page."
            compressed.append(set(rest[1:]))
        elif name:
            assert name in ("Options", "DirectoryIndex", "ErrorDocument", "RequestHeader"), line
            said[name] = " ".join(rest)
    assert compressed[0] == compressed[1]

    def answer(path: str) -> dict[str, str]:
        name = path.rpartition("/")[2]
        type = next((t for pattern, t in forced if re.search(pattern, name)), types.get(_suffix(path), ""))
        if _suffix(path) in charset:
            type += f"; charset={charset[_suffix(path)]}"
        # A section for certain files comes after what is said for all.
        return {"Content-Type": type, **{h: v for p, h, v in headers if not p}, **{h: v for p, h, v in headers if p and re.search(p, name)}}

    return Told(answer, said["ErrorDocument"].removeprefix("404 "), "-Indexes" not in said["Options"].split(), said["DirectoryIndex"], compressed[0])


def iis(text: str) -> Told:
    root = ElementTree.fromstring(text)

    def read(parent: ElementTree.Element) -> tuple[dict[str, str], dict[str, str]]:
        """(headers, type of each suffix) that a part adds; each is taken away before, for IIS refuses to add one twice."""
        found = []
        for where, add, key, value in (("httpProtocol/customHeaders", "add", "name", "value"), ("staticContent", "mimeMap", "fileExtension", "mimeType")):
            added, removed = {}, set()
            for element in parent.findall(f"system.webServer/{where}/*"):
                if element.tag == "remove":
                    removed.add(element.get(key))
                elif element.tag == add:
                    assert element.get(key) in removed and element.get(key) not in added, element.attrib
                    added[element.get(key)] = element.get(value)
                else:
                    assert (element.tag, element.attrib) == ("clientCache", {"cacheControlMode": "NoControl"})
            found.append(added)
        return found[0], found[1]

    headers, types = read(root)
    special = {location.get("path"): read(location) for location in root.findall("location")}

    def answer(path: str) -> dict[str, str]:
        more, other = special.get(path, ({}, {}))
        return {"Content-Type": {**types, **other}.get("." + _suffix(path), ""), **headers, **more}

    server = root.find("system.webServer")
    error = server.find("httpErrors/error").attrib
    assert (error["statusCode"], error["responseMode"]) == ("404", "File") and server.find("httpErrors").get("errorMode") == "Custom"
    return Told(answer, error["path"], server.find("directoryBrowse").get("enabled") != "false", server.find("defaultDocument/files/add").get("value"))


READERS: dict[str, Callable[[str], Told]] = {hosting.NGINX: nginx, hosting.APACHE: apache, hosting.IIS: iis}


def told(site: Path) -> dict[str, Told]:
    """Each of the three texts of a built site, read: by its path in the site."""
    return {path: read((site / path).read_text(encoding="utf-8")) for path, read in READERS.items()}


class _Handler(http.server.SimpleHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    wbufsize = -1  # an answer in one piece, or each would wait for the one before to be acknowledged

    def log_message(self, *args: object) -> None:
        pass

    def do_GET(self) -> None:
        path = unquote(urlsplit(self.path).path).lstrip("/")
        path += "index.html" if path.endswith("/") or not path else ""
        file = (Path(self.directory) / path).resolve()
        there = file.is_relative_to(self.directory) and file.is_file()
        path, body = (path, file.read_bytes()) if there else (hosting.NOT_FOUND, (Path(self.directory) / hosting.NOT_FOUND).read_bytes())
        self.send_response(200 if there else 404)
        for name, value in self.server.answer(path).items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)


@contextmanager
def hosted(site: Path, answer: Answer):
    """The site on a free port of this machine, with these headers and no others; gives the address, ending in a slash."""
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(_Handler, directory=str(site.resolve())))
    server.daemon_threads = True
    server.answer = answer
    threading.Thread(target=functools.partial(server.serve_forever, poll_interval=0.02), daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/"
    finally:
        server.shutdown()
        server.server_close()
