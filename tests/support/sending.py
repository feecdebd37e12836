"""Captures sent to the page as a browser sends them."""

import io
import zipfile

from werkzeug.datastructures import FileStorage, MultiDict
from werkzeug.test import encode_multipart

from flatscan.capture import files_of


def send(client, parts, path="/new", **fields):
    """Post files, as (name, bytes), the way a browser sends several of one field."""
    form = MultiDict({"title": "north wall", "kind": "scan", **fields})
    for name, data in parts:
        form.add("capture", FileStorage(io.BytesIO(data), name))
    boundary, body = encode_multipart(form)
    return client.post(path, body, content_type=f'multipart/form-data; boundary="{boundary}"')


def zipped(parts, **info):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts:
            entry = zipfile.ZipInfo(name)
            entry.compress_type = zipfile.ZIP_DEFLATED
            for key, value in info.items():
                setattr(entry, key, value)
            archive.writestr(entry, data)
    return out.getvalue()


def parts_of(capture, root):
    return [(path.relative_to(root).as_posix(), path.read_bytes()) for path in files_of(capture)]
