"""An archive as a file to be kept: one way to send it."""

from starlette.responses import Response


def archive_file(content: bytes, name: str) -> Response:
    """A zip that the browser saves under `name` and no cache keeps."""
    return Response(
        content,
        media_type="application/zip",
        headers={
            "Content-Disposition": f'attachment; filename="{name}"',
            "Cache-Control": "no-store",
        },
    )
