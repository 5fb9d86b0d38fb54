"""Why a TLS handshake with whatever answers at an address came to nothing, and what to do.

Owns: the words for it. Must not: do I/O, or tell whether the address is a peer's.

A certificate that syncd made is turned down by the TLS library for its dates alone: so the clocks
are the matter only where the library says that it is the dates.
"""

import ssl

from syncd.errors import PeerUnreachableError
from syncd.wire.ending import RENEWAL

# X509_V_ERR_… of OpenSSL's x509_vfy.h; the manual page X509_STORE_CTX_get_error(3) explains them.
NOT_YET_VALID = 9
HAS_EXPIRED = 10
_ELSEWHERE = (
    "Correct the address. syncd's port for other boxes is the one of node.control there, 8840 if "
    "the configuration says nothing else; 8841 is for lanes, 8842 for the board."
)


def handshake_error(where: str, error: OSError) -> PeerUnreachableError:
    """Return what to say of error, which a handshake with where ended with."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return _certificate_error(where, error.verify_code)
    if isinstance(error, ssl.SSLError):
        return PeerUnreachableError(
            f"{where} answers, and is no syncd, or not its port for other boxes.", remedy=_ELSEWHERE
        )
    return PeerUnreachableError(
        f"{where} takes the call, and says nothing or hangs up.",
        remedy=f"If syncd runs there, try again, and look at its log. If not: {_ELSEWHERE}",
    )


def _certificate_error(where: str, verify_code: int) -> PeerUnreachableError:
    if verify_code == NOT_YET_VALID:
        return PeerUnreachableError(
            f"{where} shows a certificate that is not valid yet, by the clock of this box.",
            remedy="Set the clocks of both boxes, best by NTP.",
        )
    if verify_code == HAS_EXPIRED:
        return PeerUnreachableError(
            f"{where} shows a certificate that has ended, by the clock of this box.",
            remedy=f"Compare the clocks of both boxes. If both are right: {RENEWAL}",
        )
    return PeerUnreachableError(
        f"{where} shows a certificate that no syncd made for its peers.", remedy=_ELSEWHERE
    )


def hung_up(where: str) -> PeerUnreachableError:
    """Return what to say when the other side ends the connection before it answers anything.

    In TLS 1.3 our certificate is looked at after our handshake, so that may be why.
    """
    return PeerUnreachableError(
        f"{where} hung up right after the handshake.",
        remedy="Compare the clocks of both boxes, and what that box logs.",
    )
