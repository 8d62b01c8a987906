"""Object stores that speak S3.  Lists and reads; never writes, and repeats no secret.

Sentences hold the store's codes and never its messages, which may repeat what was sent.
"""

from __future__ import annotations

import errno
import re
import threading
from collections.abc import Callable, Iterator, Mapping
from email.utils import parsedate_to_datetime
from functools import cache
from typing import Any, Final

from verifier.errors import PlaceUnreachable
from verifier.places.addresses import Address
from verifier.places.stores.base import (
    Item,
    Patience,
    StoreFailed,
    cut_short,
    gone,
    replaced,
    without_packages,
)
from verifier.places.stores.word import Word, offered

CONNECT_WITHIN: Final = 10
ANSWER_WITHIN: Final = 30
"""Seconds that the store gets to answer at all, and between two pieces of an answer."""

CONNECTIONS: Final = 16

_THROTTLED: Final = frozenset(
    {
        "429",
        "503",
        "BandwidthLimitExceeded",
        "LimitExceededException",
        "RequestLimitExceeded",
        "RequestThrottled",
        "ServiceUnavailable",
        "SlowDown",
        "Throttling",
        "ThrottlingException",
        "TooManyRequests",
        "TooManyRequestsException",
    }
)
_BUSY: Final = frozenset(
    {"500", "502", "504", "InternalError", "OperationAborted", "RequestTimeout"}
)
_GONE: Final = frozenset({"404", "NoSuchKey", "NoSuchVersion"})
_REPLACED: Final = frozenset({"412", "416", "InvalidRange", "PreconditionFailed"})
_DENIED: Final = frozenset({"401", "403", "AccessDenied", "AllAccessDisabled", "Forbidden"})

_WRONG_KEY: Final = frozenset(
    {"InvalidAccessKeyId", "InvalidClientTokenId", "UnrecognizedClientException"}
)
_WRONG_SECRET: Final = frozenset({"SignatureDoesNotMatch", "InvalidSignatureException"})
_EXPIRED: Final = frozenset(
    {"ExpiredToken", "ExpiredTokenException", "InvalidToken", "TokenRefreshRequired"}
)
_SKEWED: Final = frozenset({"RequestTimeTooSkewed", "RequestExpired"})
_ELSEWHERE: Final = frozenset(
    {
        "301",
        "307",
        "AuthorizationHeaderMalformed",
        "IllegalLocationConstraintException",
        "PermanentRedirect",
        "TemporaryRedirect",
    }
)

_CODE: Final = re.compile(r"[A-Za-z0-9.]{1,64}")

_A_PAGE: Final = 1000
"""Objects that one request lists: as many as S3 gives."""

_making: Final = threading.Lock()


@cache
def _loader() -> Any:
    """What the library knows of S3, which takes a while to load, kept for the next client."""
    from botocore.loaders import create_loader

    return create_loader()


class S3Store:
    """One bucket.  ``at`` is its address for people.  Made anew in each process."""

    sorted = True

    def __init__(self, address: Address, at: str, patience: Patience) -> None:
        if address.user or address.port is not None:
            raise PlaceUnreachable(
                f"{at} names more than a bucket. Write {address.scheme}://bucket/path, and where "
                "the store is in AWS_ENDPOINT_URL."
            )
        self._bucket = address.host
        path = address.path.strip("/")
        self.below = f"{path}/" if path else ""
        self._at = at
        self._patience = patience
        self._errors = _library(at)
        self._client, self._more = self._connected()

    def everything(self, below: str) -> Iterator[Item]:
        """Every object below a key, in the order of their keys' bytes, a page at a time."""
        for page in self._pages(Prefix=below):
            for listed in page.get("Contents", ()):
                yield _item(listed["Key"], listed, "Size")

    def folder(self, below: str) -> Iterator[tuple[str, Item | None]]:
        """Names right below a key."""
        for page in self._pages(Prefix=below, Delimiter="/"):
            for listed in page.get("Contents", ()):
                yield listed["Key"][len(below) :], _item(listed["Key"], listed, "Size")
            for folder in page.get("CommonPrefixes", ()):
                yield folder["Prefix"][len(below) : -1], None

    def look(self, key: str) -> Item:
        """One object, by a request for its head."""
        found = self._ask(self._client.head_object, Key=key)
        return _item(key, found, "ContentLength")

    def read(self, key: str, start: int, end: int | None, known: Item | None) -> _S3Stream:
        """An object's bytes, asked for once; who reads tries again."""
        wanted: dict[str, object] = {"Key": key}
        if start or end is not None:
            wanted["Range"] = f"bytes={start}-{'' if end is None else end - 1}"
        else:
            wanted["ChecksumMode"] = "ENABLED"
        if known is not None and known.tag:
            wanted["IfMatch"] = f'"{known.tag}"'
        answer = self._try(self._client.get_object, wanted)
        body = answer["Body"]
        try:
            if "Range" in wanted and not _begins(answer, start):
                raise StoreFailed(errno.EIO, "Another part than was asked for", again=True)
            item = _item(key, {**answer, "Whole": _whole(answer)}, "Whole")
            if known is not None and item != known:
                raise replaced()
        except BaseException:
            body.close()
            raise
        word = offered(answer) if "ChecksumMode" in wanted else None
        return _S3Stream(item, word, body, lambda error: self._failed(error))

    def reach(self, below: str) -> float | None:
        """List one key; the date in the head of the answer."""
        page = self._ask(self._client.list_objects_v2, Prefix=below, MaxKeys=1)
        date = page["ResponseMetadata"]["HTTPHeaders"].get("date")
        try:
            return None if date is None else parsedate_to_datetime(date).timestamp()
        except ValueError:
            return None

    # ---------------------------------------------------------------------------- asking

    def _connected(self) -> tuple[Any, dict[str, object]]:
        """The client, and what goes with each request."""
        from botocore import UNSIGNED
        from botocore.config import Config
        from botocore.session import Session
        from fsspec.config import conf

        chosen = dict(conf.get("s3") or {})
        config = Config(
            connect_timeout=CONNECT_WITHIN,
            read_timeout=ANSWER_WITHIN,
            retries={"total_max_attempts": 1},  # who reads tries again, and hears the bell
            max_pool_connections=CONNECTIONS,
            response_checksum_validation="when_required",  # that is done here, and told
            **({"signature_version": UNSIGNED} if chosen.get("anon") else {}),
        )
        try:
            with _making:  # making one is not for two threads at once
                session = Session(profile=chosen.get("profile"))
                session.register_component("data_loader", _loader())
                client = session.create_client(
                    "s3",
                    aws_access_key_id=chosen.get("key"),
                    aws_secret_access_key=chosen.get("secret"),
                    aws_session_token=chosen.get("token"),
                    config=config,
                    **{
                        "endpoint_url": chosen.get("endpoint_url"),
                        **chosen.get("client_kwargs", {}),
                    },
                )
        except (ValueError, TypeError, self._errors.BotoCoreError) as error:
            raise self._failed(error) from None
        payer = {"RequestPayer": "requester"} if chosen.get("requester_pays") else {}
        return client, {"Bucket": self._bucket, **payer}

    def _pages(self, **wanted: object) -> Iterator[Mapping[str, Any]]:
        while True:
            page = self._ask(self._client.list_objects_v2, MaxKeys=_A_PAGE, **wanted)
            yield page
            if not page.get("IsTruncated"):
                return
            wanted["ContinuationToken"] = page["NextContinuationToken"]

    def _ask(self, method: Callable[..., Any], **wanted: object) -> Any:
        return self._patience.ask(lambda: self._try(method, wanted))

    def _try(self, method: Callable[..., Any], wanted: Mapping[str, object]) -> Any:
        try:
            return method(**self._more, **wanted)
        except Exception as error:
            failed = self._failed(error)
            if failed is error:
                raise
            raise failed from None  # what the library says may repeat what was sent

    # ---------------------------------------------------------------------------- errors

    def _failed(self, error: Exception) -> Exception:
        """What an exception of the library means, in our words."""
        from botocore.parsers import ResponseParserError
        from urllib3.exceptions import HTTPError

        errors = self._errors
        if isinstance(error, errors.ClientError):
            return self._answered(error.response)
        if isinstance(error, errors.NoCredentialsError):
            return self._lost(
                "no credentials were found",
                "Give AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, or AWS_PROFILE, in the "
                "environment of this user, then start again.",
            )
        if isinstance(error, (errors.PartialCredentialsError, errors.CredentialRetrievalError)):
            return self._lost(
                "its credentials are not complete",
                "Check AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY and AWS_PROFILE in the environment "
                "of this user, then start again.",
            )
        if isinstance(error, errors.ProfileNotFound):
            return self._lost(
                "the profile that AWS_PROFILE names is not there",
                "Check the name, and the files of profiles of this user, then start again.",
            )
        if isinstance(error, errors.SSLError):
            return self._lost(
                "its certificate is not trusted here",
                "Check AWS_ENDPOINT_URL; where the store has a certificate of its own, name the "
                "file of its authority in AWS_CA_BUNDLE.",
            )
        if isinstance(error, errors.ConnectionError):
            return StoreFailed(errno.EHOSTUNREACH, "No connection to the store", again=True)
        if isinstance(error, errors.ReadTimeoutError):
            return StoreFailed(errno.ETIMEDOUT, "No answer in time", again=True)
        if isinstance(
            error,
            (errors.HTTPClientError, errors.IncompleteReadError, ResponseParserError, HTTPError),
        ):
            return cut_short()
        if isinstance(error, (ValueError, TypeError, errors.BotoCoreError)):
            return self._lost(
                f"the request for it cannot be made ({type(error).__name__})",
                "Check the bucket's name, the region and AWS_ENDPOINT_URL, then start again.",
            )
        return error

    def _answered(self, answer: Mapping[str, Any]) -> Exception:
        said = str(answer.get("Error", {}).get("Code", ""))
        status = answer.get("ResponseMetadata", {}).get("HTTPStatusCode", 0)
        code = said if _CODE.fullmatch(said) else str(status)
        if code in _THROTTLED or status == 503:
            return StoreFailed(errno.EBUSY, "Asked to slow down", again=True)
        if code in _BUSY or status >= 500:
            return StoreFailed(errno.EIO, "Server error", again=True)
        if code in _GONE:
            return gone()
        if code in _REPLACED or status == 412:
            return replaced()
        if code == "InvalidObjectState":
            return StoreFailed(errno.EACCES, "Kept in an archive")
        if code in _DENIED:
            return StoreFailed(errno.EACCES, "Permission denied")
        return self._whole_store(code) or StoreFailed(errno.EIO, f"Refused with {code}")

    def _whole_store(self, code: str) -> PlaceUnreachable | None:
        """What is no matter of one object."""
        if code == "NoSuchBucket":
            return self._lost(
                f"the store has no bucket {self._bucket}",
                "Check the name, and AWS_ENDPOINT_URL where the store is another one than "
                "the library's own default.",
            )
        if code in _WRONG_KEY:
            return self._lost(
                f"the store does not know the access key ({code})",
                "Check AWS_ACCESS_KEY_ID or AWS_PROFILE in the environment of this user.",
            )
        if code in _WRONG_SECRET:
            return self._lost(
                f"the store does not accept the secret key ({code})",
                "Check AWS_SECRET_ACCESS_KEY or AWS_PROFILE, and this machine's clock.",
            )
        if code in _EXPIRED:
            return self._lost(
                f"the credentials are not valid any more ({code})", "Renew them, then start again."
            )
        if code in _SKEWED:
            return self._lost(
                f"this machine's clock is too far from the store's ({code})",
                "Set the clock, then start again.",
            )
        if code in _ELSEWHERE:
            return self._lost(
                f"the bucket lies in another region ({code})",
                "Set AWS_DEFAULT_REGION to its region, then start again.",
            )
        return None

    def _lost(self, why: str, advice: str) -> PlaceUnreachable:
        return PlaceUnreachable(f"{self._at} cannot be read: {why}. {advice}")


class _S3Stream:
    """The body of one answer."""

    def __init__(
        self,
        item: Item,
        word: Word | None,
        body: Any,
        failed: Callable[[Exception], Exception],
    ) -> None:
        self.item = item
        self.word = word
        self._body = body
        self._failed = failed

    def fill(self, buffer: memoryview) -> int:
        try:
            block = self._body.read(len(buffer))
        except Exception as error:
            failed = self._failed(error)
            if failed is error and not isinstance(error, OSError):
                raise
            raise (cut_short() if failed is error else failed) from None
        buffer[: len(block)] = block
        return len(block)

    def close(self) -> None:
        self._body.close()


def _library(at: str) -> Any:
    try:
        import fsspec.config  # noqa: F401
        from botocore import exceptions
    except ImportError:
        raise without_packages(at) from None
    return exceptions


def _item(key: str, told: Mapping[str, Any], size: str) -> Item:
    uploaded = int(told["LastModified"].timestamp()) * 1_000_000_000
    return Item(key, int(told[size]), uploaded, str(told.get("ETag", "")).strip('"'))


def _begins(answer: Mapping[str, Any], start: int) -> bool:
    """Whether a part begins where it was asked to; not every store knows of parts."""
    return str(answer.get("ContentRange", "")).startswith(f"bytes {start}-")


def _whole(answer: Mapping[str, Any]) -> int:
    """The size of the whole object, also where only a part of it was asked for."""
    total = str(answer.get("ContentRange", "")).rpartition("/")[2]
    return int(total) if total.isdigit() else int(answer["ContentLength"])
