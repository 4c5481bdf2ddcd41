"""Somebody else's web pages: from their own origin, in the owner's browser, they try what the page alone may do."""

import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Final, Self

_ATTACK: Final = """<!doctype html><html lang="en"><title>somebody else's</title><body>
<form method="post" enctype="text/plain" action="{url}ask"><input name='{half}' value='"}}'></form>
<script>
window.said = [];
const body = JSON.stringify({body}), where = "{url}";
const tries = {{
  "fetch": () => fetch(where + "ask", {{method: "POST", credentials: "include", body,
    headers: {{"Content-Type": "application/json"}}}}).then(answer => answer.text()),
  "blind fetch": () => fetch(where + "ask", {{method: "POST", credentials: "include", mode: "no-cors", body,
    headers: {{"Content-Type": "text/plain"}}}}).then(answer => answer.type + " " + answer.status),
  "beacon": async () => String(navigator.sendBeacon(where + "ask", new Blob([body], {{type: "text/plain"}}))),
  "read": () => fetch(where + "me", {{credentials: "include"}}).then(answer => answer.text()),
  "stream": () => new Promise((well, ill) => {{
    const source = new EventSource(where + "events", {{withCredentials: true}});
    source.addEventListener("parts", event => {{ source.close(); well(event.data); }});
    source.onerror = () => {{ source.close(); ill("no stream"); }};
  }}),
  "frame": () => new Promise(well => {{
    const frame = document.createElement("iframe");
    frame.onload = () => {{ let inside = "nothing"; try {{ inside = frame.contentDocument.body.innerText; }} catch {{}}
      well(inside); }};
    frame.src = where;
    document.body.append(frame);
  }}),
}};
window.all = Promise.all(Object.entries(tries).map(async ([name, attempt]) => {{
  let got;
  try {{ got = "got " + await attempt(); }} catch (error) {{ got = "failed"; }}
  return [name, got];
}})).then(Object.fromEntries);
</script>"""


class Stranger:
    """A web server of somebody else's. A context manager: stopped at exit.

    Args:
        url: of the page that is attacked, with the slash.
        body: what it wants to ask.
    """

    def __init__(self, url: str, body: dict[str, object]) -> None:
        half = json.dumps({**body, "x": ""}).removesuffix('"}')
        html = _ATTACK.format(url=url, body=json.dumps(body), half=half).encode()

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                self.send_response(200)
                self.send_header("Content-Type", "text/html; charset=utf-8")
                self.send_header("Content-Length", str(len(html)))
                self.end_headers()
                self.wfile.write(html)

            def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - so the library calls it
                del format, args

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = int(self._server.server_address[1])

    def __enter__(self) -> Self:
        threading.Thread(target=self._server.serve_forever, daemon=True).start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.shutdown()
        self._server.server_close()
