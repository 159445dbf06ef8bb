"""Notes and photos of a job, and of its locations."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.datastructures import FormData, UploadFile

from monitord.errors import StoreError
from monitord.store import notes
from monitord.web.page_context import Web, job_url
from monitord.web.photos import PhotoError, photo_of
from monitord.web.routes.pages import Id
from monitord.web.routes.typed import pressed_at
from monitord.web.text.local_time import LocalTimes
from monitord.web.visitor import visitor

MAX_LETTERS, MAX_AT_ONCE = 2000, 6
"""Of one note; no more photos come with one (our choice)."""
_FOR_A_YEAR = {"cache-control": "private, max-age=31536000, immutable", "content-disposition": "inline"}


class NoteRoutes:
    """The page, its form, and the photos."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route("/jobs/{job_id}/notes", self.page, response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/notes", self.save, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/notes/{note_id}/delete", self.delete, methods=["POST"])
        router.add_api_route("/jobs/{job_id}/photos/{digest}", self.photo)
        return router

    def page(self, job_id: str, location: Id = None, saved: Annotated[bool, Query()] = False) -> HTMLResponse:
        """All notes of a job, and the form for one more."""
        return self._page(job_id, {"location": location or ""}, saved=saved)

    def _page(self, job_id: str, typed: dict[str, str], wrong: str = "", *, saved: bool = False) -> HTMLResponse:
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, now)
            return self._web.page(
                conn,
                "notes.html",
                now,
                422 if wrong else 200,
                state=state,
                t=LocalTimes(state.job.zone, now),
                notes=notes.notes_of(conn, job_id),
                typed=typed,
                wrong=wrong,
                saved=saved,
                most=MAX_AT_ONCE,
                max_letters=MAX_LETTERS,
            )

    async def save(self, request: Request, job_id: str) -> Response:
        """Keep a note with its photos; nothing of it where one photo is refused."""
        async with request.form(max_files=MAX_AT_ONCE + 1, max_fields=10) as form:
            return await run_in_threadpool(self._save, job_id, form)

    def _save(self, job_id: str, form: FormData) -> Response:
        now = self._web.clock.now()
        typed = {name: str(form.get(name) or "")[:3000] for name in ("location", "text", "pressed")}
        files = [one for one in form.getlist("photos") if isinstance(one, UploadFile) and one.size]
        at = pressed_at(typed["pressed"], now).replace(microsecond=0)
        try:
            text = _text(typed["text"], files)
            photos = [new_picture(file) for file in files]
            with self._web.db.write() as conn:
                job = self._web.job(conn, job_id, now).job
                location = typed["location"] or None
                if location is not None and location not in {one.id for one in job.locations}:
                    raise PhotoError("Choose a location of this job, or the whole job.")
                if notes.add_note(conn, job_id, location, at, visitor().name, text, photos) is not None:
                    self._web.note(conn, "added a note", job_id, f"{len(photos)} photos, {len(text)} letters")
        except PhotoError as error:
            return self._page(job_id, typed, str(error))
        except StoreError as error:
            return self._page(job_id, typed, f"{error.what}. {error.remedy}.")
        return RedirectResponse(job_url(job_id, {"saved": "1"}, "/notes"), status_code=303)

    def delete(self, job_id: str, note_id: int) -> RedirectResponse:
        """Take a note and its photos away."""
        with self._web.db.write() as conn:
            plan = self._web.job(conn, job_id, self._web.clock.now()).job.plan
            gone = notes.delete_note(conn, job_id, note_id)
            if gone is None:
                raise HTTPException(404, "There is no such note any more.")
            if plan is not None and plan.photo in {one.digest for one in gone.photos}:
                raise HTTPException(409, "Its photo is the job's plan: choose another for the plan first. It stays.")
            said = f"of {gone.at:%Y-%m-%dT%H:%MZ} by {gone.by}, {len(gone.photos)} photos: {gone.text[:200]}"
            self._web.note(conn, "deleted a note", job_id, said)
        return RedirectResponse(job_url(job_id, leaf="/notes"), status_code=303)

    def photo(self, job_id: str, digest: str, small: Annotated[bool, Query()] = False) -> Response:
        """One photo; its name is the digest of its bytes, so that a browser may keep it."""
        with self._web.db.read() as conn:
            jpeg = notes.picture_bytes(conn, job_id, digest, small=small)
        if jpeg is None:
            raise HTTPException(404, "There is no such photo.")
        return Response(jpeg, media_type="image/jpeg", headers=_FOR_A_YEAR)


def _text(typed: str, files: list[UploadFile]) -> str:
    text = typed.replace("\r\n", "\n").strip()
    if not text and not files:
        raise PhotoError("Write something, or choose a photo. Nothing was saved.")
    if len(text) > MAX_LETTERS:
        raise PhotoError(f"The note has {len(text)} letters; at most {MAX_LETTERS} are kept. Nothing was saved.")
    if len(files) > MAX_AT_ONCE:
        raise PhotoError(f"At most {MAX_AT_ONCE} photos go with one note; write another for the rest.")
    return text


def new_picture(file: UploadFile) -> notes.NewPicture:
    """A photo that was sent, made harmless.

    Raises
    ------
    PhotoError : it is no photo that is taken; its words name the file.
    """
    try:
        made = photo_of(file.file)
    except PhotoError as error:
        name = "".join(c for c in (file.filename or "a photo") if c.isprintable())[-60:]
        raise PhotoError(f"“{name}” was not taken. {error} Nothing was saved.") from None
    return notes.NewPicture(made.jpeg, made.small, made.width, made.height)
