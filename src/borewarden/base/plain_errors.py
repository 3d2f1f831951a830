"""What a library or the system complains of, in plain words: what is wrong, what to do next.

One table for TLS, OPC UA, Modbus, MQTT, HTTP, mail and sockets. It goes by the names of classes,
status codes and error numbers, so none of the libraries is imported here. Mail codes as in RFC 5321
and RFC 3463, OPC UA status codes as in OPC 10000-4, 7.38, Modbus exceptions as in the MODBUS
Application Protocol V1.1b3, section 7.
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Iterator
from typing import NamedTuple


class Plain(NamedTuple):
    """One row: an error of one of the `kinds`, whose text `says` so, means `wrong`; do `right`.

    `kinds` are the names of its class or of one that it derives from, of its error number, or of a
    status code; none for any. `says` is a regular expression, whose groups `wrong` and `right` may
    name as {0}, {1} and so on. Where `wrong` is empty the error's own text says it.
    """

    kinds: str
    says: str
    wrong: str
    right: str


_CERTIFICATE = "SSLCertVerificationError"
_ASK_FOR_CA = (
    "get it from whoever runs the server, and name its file as ca (of a broker), ca_file (of the "
    "mail server) or in the variable SSL_CERT_FILE (of a time-series server)"
)
_NOT_TRUSTED = (
    "have its owner move our certificate (certificate in [source]) from the rejected to the "
    "trusted ones, in the controller's settings"
)
_WRONG_CERTIFICATE = (
    "check that server_certificate is the one that the controller has now, and that private_key "
    "belongs to certificate"
)
_USER = "check user in [source] and its password (BOREWARDEN_SOURCE__PASSWORD, or its file)"
_MAIL_USER = "check user in [mail] and its password (BOREWARDEN_SERVICE_MAIL_PASSWORD, or its file)"
_TOKEN = "put the right one into BOREWARDEN_SERVICE_INFLUX_TOKEN, or into its file influx_token"
_NODE = "look it up with an OPC UA browser: a new program may have moved it to another namespace"
_SENSOR = "look at the sensor and its cable, or ask whoever looks after the controller"
_LISTENS = "check host and port, and whether the server is running"
_SILENT = "check address, port and cable; a firewall on the way may drop what we send"

# The first row that fits holds, so the special ones come first.
TABLE = (
    # -- TLS
    Plain(
        _CERTIFICATE,
        "self.signed certificate(?! in)",
        "nobody vouches for the server's certificate: it is self-signed",
        _ASK_FOR_CA,
    ),
    Plain(
        _CERTIFICATE,
        "issuer|in certificate chain|first certificate",
        "this computer does not know the authority that issued the server's certificate",
        f"the authority's certificate is needed: {_ASK_FOR_CA}",
    ),
    Plain(
        _CERTIFICATE,
        "expired",
        "the server's certificate has expired",
        "have whoever runs the server renew it; if it is still good, set this computer's clock",
    ),
    Plain(
        _CERTIFICATE,
        "not yet valid",
        "the server's certificate is not valid yet",
        "check the clocks of the server and of this computer",
    ),
    Plain(
        _CERTIFICATE,
        r"(?:not valid for|doesn't match) '?(.+?)'?\.? *(?:\(|$)",
        "the server's certificate is not for {0}",
        "give the host by the name that stands in the certificate, or have that name put into it",
    ),
    Plain(
        _CERTIFICATE,
        "verify failed: (.+?)(?: \\(|$)",
        "the server's certificate is not accepted: {0}",
        "ask whoever runs the server",
    ),
    Plain(
        "SSLError",
        "(?i)wrong.version.number|record.layer.failure|unexpected.message|http.request",
        "the server does not speak TLS on this port",
        "use its port for TLS (8883 of most brokers, 465 of most mail servers, 587 with "
        "STARTTLS), or turn TLS off",
    ),
    Plain(
        "SSLError",
        "(?i)certificate.required|unknown.ca|bad.certificate|handshake.failure",
        "the server does not accept this computer's certificate, or wants one",
        "ask whoever runs the server for a client's certificate, or for a port without one",
    ),
    Plain("SSLError", "", "", "ask whoever runs the server which TLS it speaks"),
    # -- the time-series server: what it answers to a request by its API
    Plain(
        "HTTP",
        "HTTP request to an HTTPS server",
        "the server speaks TLS on this port",
        'begin the url in [influx] with "https://"',
    ),
    Plain("v1", "^401", "the server does not accept this user with this password", _TOKEN),
    Plain("v2", "^401", "the server does not accept the token", _TOKEN),
    Plain("v1", "^403", "this user may not do that", "give it the right to write to the database"),
    Plain("v2", "^403", "the token may not do that", "give it the right to write to the bucket"),
    Plain(
        "v1",
        "^404 .*database not found",
        "the server has no such database",
        "create it there, or correct bucket in [influx]",
    ),
    Plain(
        "v2",
        r"^404 .*bucket\b.*not found",
        "the server has no such bucket",
        "create it there, or correct bucket in [influx]",
    ),
    Plain(
        "v2",
        r"^404 .*organization\b.*not found",
        "the server has no such organization",
        "correct org in [influx]",
    ),
    Plain(
        "v2",
        "^404|^400 .*unsupported path",
        "there is no InfluxDB 2 write API at this address",
        'check url in [influx], or set api = "v1": InfluxDB before 1.8 has no other',
    ),
    Plain(
        "v1",
        "^404|^400 .*unsupported path",
        "there is no InfluxDB 1 write API at this address",
        "check url in [influx]",
    ),
    Plain("HTTP", "^429", "the server wants fewer writes", "wait, or have its limit raised"),
    Plain("HTTP", "^5", "the server has trouble of its own", "look at its log and its disk"),
    Plain("HTTP", "^4", "the server refuses it", "look at its log, and check url, org and bucket"),
    Plain(
        "ServerDisconnectedError ClientPayloadError",
        "",
        "the server closed the connection without an answer",
        'check the port; if it speaks TLS, begin the url with "https://"',
    ),
    Plain(
        "ClientResponseError BadStatusLine BadHttpMessage",
        "",
        "what answers there is no web server",
        "check host and port in the url",
    ),
    # -- mail
    Plain(
        "SMTPAuthenticationError",
        "^53[08] |(?i:starttls)",
        "the mail server takes no login without encryption",
        'set security = "starttls", or "tls" for port 465',
    ),
    Plain(
        "SMTPAuthenticationError",
        r"^5\d\d ",
        "the mail server does not accept this user with this password",
        _MAIL_USER,
    ),
    Plain(
        "SMTPAuthenticationError",
        "(.*)",
        "the mail server can't check the password now ({0})",
        "try again later, or ask whoever runs it",
    ),
    Plain(
        "SMTPException",
        "STARTTLS extension not supported",
        "the mail server offers no STARTTLS on this port",
        'use port 587, or set security = "tls" for port 465, or "none" within your own network',
    ),
    Plain(
        "SMTPException",
        "AUTH extension is not supported",
        "the mail server takes no login on this port",
        "leave user out, or use its port for logins (587 of most)",
    ),
    Plain(
        "SMTPConnectTimeoutError",
        "ready message",
        "something listens there, but does not greet as a mail server does",
        'set security = "tls" if the port is one for TLS from the start (465 of most)',
    ),
    Plain(
        "SMTPSenderRefused",
        "(?i)^530 |authentication",
        "the mail server takes mails only from users that log in",
        "give user in [mail], and its password (BOREWARDEN_SERVICE_MAIL_PASSWORD, or its file)",
    ),
    Plain(
        "SMTPSenderRefused",
        r"(.*) (\S+)$",
        "the mail server refuses the sender {1} ({0})",
        "give a sender in [mail] that it lets this user write as",
    ),
    Plain(
        "SMTPRecipientRefused",
        r"(?i)^(5.*(?: 5\.7\.\d|relay).*) (\S+)$",
        "the mail server does not relay to {1} ({0})",
        "have it relay for this computer, or log in with user and password",
    ),
    Plain(
        "SMTPRecipientRefused",
        r"^(5.*) (\S+)$",
        "the mail server refuses the recipient {1} ({0})",
        "check the address in recipients",
    ),
    Plain(
        "SMTPRecipientRefused",
        r"(.*) (\S+)$",
        "the mail server puts the recipient {1} off ({0})",
        "wait some minutes and try again; if it goes on, ask whoever runs the mail server",
    ),
    Plain(
        "SMTPResponseException",
        "(.*)",
        "the mail server refuses ({0})",
        "ask whoever runs it",
    ),
    Plain(
        "SMTPServerDisconnected SMTPConnectError",
        "EOF|[Cc]onnection lost|disconnected|not connected",
        "the mail server closed the connection",
        "check host, port and security; it may take no connections from this computer",
    ),
    # -- OPC UA: errors, and status codes of single values
    Plain(
        "asyncua.AssertionError BadSecurityChecksFailed BadCertificateUntrusted",
        "",
        "the controller refuses the encrypted connection: it does not trust our certificate yet",
        _NOT_TRUSTED,
    ),
    Plain(
        "BadTcpInternalError BadCertificateInvalid BadNonceInvalid BadDecryptionError",
        "",
        "the controller can't make out what we encrypt ({kind})",
        _WRONG_CERTIFICATE,
    ),
    Plain(
        "BadCertificateTimeInvalid BadCertificateIssuerTimeInvalid",
        "",
        "the controller takes our certificate for expired, or for not valid yet ({kind})",
        "renew the certificate, and check the controller's clock",
    ),
    Plain(
        "BadCertificateUriInvalid BadCertificateHostNameInvalid BadCertificateUseNotAllowed",
        "",
        "our certificate is not made out as OPC UA wants it ({kind})",
        "make one with an application URI, and with the uses of a client",
    ),
    Plain(
        "BadSecurityPolicyRejected BadSecurityModeRejected BadSecurityModeInsufficient",
        "",
        "the controller does not offer this kind of encryption ({kind})",
        'set security to what it offers: "Basic256Sha256" or "none"',
    ),
    Plain(
        "BadIdentityTokenInvalid BadIdentityTokenRejected",
        "",
        "the controller does not let us in like this: it may want a user and a password ({kind})",
        _USER,
    ),
    Plain(
        "BadUserAccessDenied",
        "",
        "the controller does not accept this user with this password, or does not let it read "
        "({kind})",
        f"{_USER}, and its right to read",
    ),
    Plain(
        "BadTooManySessions BadMaxConnectionsReached BadTcpNotEnoughResources",
        "",
        "the controller has no session left for us ({kind})",
        "close a program that reads from it, or have it allow one more",
    ),
    Plain(
        "BadSessionIdInvalid BadSessionClosed BadSecureChannelClosed BadSecureChannelIdInvalid "
        "BadConnectionClosed",
        "",
        "the controller closed the connection",
        "nothing to do if it comes back by itself; else look whether it was restarted",
    ),
    Plain("LookupError channel", "there is no n(?:ode|amespace)", "", _NODE),
    Plain("BadNodeIdUnknown BadNoMatch", "", "there is no such node ({kind})", _NODE),
    Plain(
        "BadNodeIdInvalid", "", "that is no node id that the controller understands ({kind})", _NODE
    ),
    Plain(
        "BadNotReadable BadAttributeIdInvalid",
        "",
        "that node has no value that can be read ({kind})",
        "give the variable itself, not the folder or object around it",
    ),
    Plain(
        "BadSensorFailure BadDeviceFailure BadNotConnected BadOutOfService BadNoCommunication "
        "UncertainSensorNotAccurate UncertainLastUsableValue "
        "UncertainNoCommunicationLastUsableValue",
        "",
        "the controller itself has no good value ({kind})",
        _SENSOR,
    ),
    Plain(
        "BadWaitingForInitialData",
        "",
        "the controller has no value yet ({kind})",
        "wait; if it stays so, look whether its program is running",
    ),
    Plain("BadTimeout BadRequestTimeout", "", "the controller did not answer in time", _SILENT),
    Plain(
        "UaStatusCodeError status",
        "",
        "the controller says {kind}",
        "look that code up in its manual or in OPC 10000-4",
    ),
    # -- Modbus: exceptions, and silence
    Plain(
        "channel",
        "illegal data address",
        "",
        "the controller has nothing there: many manuals count from 1 or 40001, the wire from 0",
    ),
    Plain(
        "channel",
        "illegal function",
        "",
        "read it with another function: 3 for holding, 4 for input registers",
    ),
    Plain("channel", "illegal data value|too short", "", "check type and address"),
    Plain(
        "channel",
        "gateway",
        "",
        "check unit_id, and the line between the gateway and the device",
    ),
    Plain("channel", "failure|parity error", "", _SENSOR),
    Plain("channel", "busy|not ready|acknowledge", "", "lengthen interval"),
    Plain("channel", "exception", "", "look that code up in the controller's manual"),
    Plain("channel", ": no answer", "", "check address and type, and lengthen timeout"),
    # -- single channels of any source
    Plain("channel", "no such field", "", "check field and topic against a message as it comes"),
    Plain("channel", "text", "", "have it sent as a number, or give a place that has one"),
    Plain("channel", "array|a list|an object", "", "give the place of a single number"),
    Plain("channel", "null|no value", "", "check the place; the source has nothing there now"),
    Plain("channel", "finite", "", "check type, word order and byte order, then the sensor"),
    Plain("channel", "nothing on", "", "check topic, and whether the machine publishes to it"),
    Plain("channel", "", "", "check the place, and look what the source shows there"),
    Plain(
        "TimeoutError",
        r"(?:times running|no answer from unit)",
        "",
        "check unit_id first: a controller does not answer to another's; then type of line and "
        "timeout",
    ),
    # -- MQTT
    Plain("PermissionError", "does not let in", "", _USER),
    Plain(
        "PermissionError",
        "subscribe",
        "",
        "give this user the right to read the topic, in the broker's access list",
    ),
    Plain(
        "MqttError",
        "Operation timed out|Disconnected during",
        "the broker does not answer, or cuts the connection at once",
        "check host and port; set tls = true if it speaks TLS there (8883 of most); it may also "
        "want a client's certificate",
    ),
    Plain(
        "ConnectionError",
        "client_id",
        "",
        "another program may use it too, such as a second watcher: give each its own client_id",
    ),
    Plain(
        "MqttCodeError",
        r"\[code:\d+\] (.+)",
        "the broker refuses: {0}",
        "ask whoever runs it",
    ),
    # -- serial lines and sockets
    Plain(
        "ENOENT",
        "(/dev/.*?)'?$",
        "there is no serial device {0}",
        "check device in [source] and the adapter's cable; `ls /dev/serial/by-id` lists them",
    ),
    Plain(
        "EACCES",
        "(/dev/.*?)'?$",
        "this account may not use {0}",
        "add it to the group that may: dialout on Debian",
    ),
    Plain(
        "gaierror",
        "",
        "the name of the host is not known",
        "check how it is written, or give the IP address",
    ),
    Plain(
        "",
        r"\[Errno -[2-5]\]",
        "the name of the host is not known",
        "check how it is written, or give the IP address",
    ),
    Plain(
        "ConnectionError",
        r"no scheduler answers at (\S+): ",
        "no scheduler answers at {0}",
        "start one with `dask scheduler`, or correct the address",
    ),
    Plain("ECONNREFUSED", "", "connection refused: nothing listens at that port", _LISTENS),
    Plain("", r"\[Errno 111\]", "connection refused: nothing listens at that port", _LISTENS),
    Plain(
        "ENETUNREACH EHOSTUNREACH",
        "",
        "there is no way to that address",
        "check address, cable, router and VPN",
    ),
    Plain(
        "EADDRINUSE",
        "",
        "another program already has that port",
        "end it (`ss -ltnp` says which it is), or take another port",
    ),
    Plain(
        "",
        "Could not start listen",
        "nothing can listen at that port: another program has it, or it takes more rights",
        "`ss -ltnp` says who has it; or take another one, above 1023",
    ),
    Plain(
        "EADDRNOTAVAIL",
        "",
        "this computer does not have that address",
        "give one of its own, or 127.0.0.1",
    ),
    Plain("TimeoutError ETIMEDOUT", "", "no answer within the time-out", _SILENT),
    Plain(
        "ECONNRESET EPIPE ECONNABORTED",
        "",
        "the other side cut the connection",
        "check that the port is the right one, and that TLS is set on both sides or on neither",
    ),
    Plain(
        "ConnectionError",
        "(?i)closed the connection|connection lost|connection ended",
        "the other side closed the connection",
        "check the port; it may also have no place for one more client",
    ),
)


def plain_reason(error: BaseException) -> str:
    """What went wrong and what to do next; with the library's own words where no row fits."""
    chain = list(_chain(error))
    for row in TABLE:
        for each in chain:
            if (words := _words(row, _kinds(each), _text(each))) is not None:
                return words
    text = _text(error)
    if isinstance(error, OSError):
        if error.errno is not None and error.errno > 0:
            # asyncio puts the address where the system had the reason
            reason = os.strerror(error.errno)
            return f"{reason}: {error.filename}" if error.filename else reason
        return error.strerror or text or type(error).__name__
    return f"{type(error).__name__}: {text}" if text else type(error).__name__


def plain_channel(reason: str) -> str:
    """The same of what is wrong with one channel: a status code, or words of a collector."""
    code = re.match(r"(?:Bad|Uncertain)\w*$", reason)
    return _first(dict.fromkeys((reason, "status") if code else ("channel",), reason), reason)


def plain_answer(api: str, status: int, said: str) -> str:
    """The same of an HTTP `status` of a time-series server with `api` "v1" or "v2"."""
    reason = f"{status} {said}".strip()
    words = _first({api: api, "HTTP": api}, reason)
    return f"{words} (HTTP {reason})" if words != reason else f"HTTP {reason}"


def _first(kinds: dict[str, str], text: str) -> str:
    """What the first row says that is about one of these kinds; else the text."""
    found = (_words(row, kinds, text) for row in TABLE if row.kinds)
    return next((words for words in found if words is not None), text)


def _words(row: Plain, kinds: dict[str, str], text: str) -> str | None:
    """What `row` says of an error of such `kinds` and `text`; None if it is about others."""
    kind = next((kinds[name] for name in row.kinds.split() if name in kinds), None)
    said = re.search(row.says, text)
    if said is None or (row.kinds and kind is None):
        return None
    return "; ".join(
        part.format(*said.groups(), kind=kind) if part else text for part in (row.wrong, row.right)
    )


def _text(error: BaseException) -> str:
    """What it says; of an answer of a mail server the code, the words, and whom they are about."""
    if hasattr(error, "code") and hasattr(error, "message"):
        return " ".join(" ".join(map(str, error.args)).split())
    return str(error).strip()


def _chain(error: BaseException | None) -> Iterator[BaseException]:
    """The error and what it came of, since libraries wrap what the system said."""
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__  # also where "from None" hides it from people


def _kinds(error: BaseException) -> dict[str, str]:
    """The names that the table may have for `error`, each with that of its own class."""
    own = type(error).__name__
    names = [kind.__name__ for kind in type(error).__mro__]
    if isinstance(error, OSError):
        names.append(errno.errorcode.get(error.errno or 0, ""))
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    if trace is not None:  # an assertion says nothing but where it stands
        package = str(trace.tb_frame.f_globals.get("__name__", "")).partition(".")[0]
        names.append(f"{package}.{own}")
    return dict.fromkeys(names, own)
