"""Why a network call failed, in plain words that never hold what was sent."""

import asyncio
import socket
import ssl

__all__ = ["Trouble", "trouble"]

Trouble = tuple[str, str]
"""What is wrong and what to do about it, as `AsleftError` wants them."""

_DEEPEST_CHAIN = 10


def trouble(wrong: BaseException, *, seconds: float) -> Trouble:
    """Say in words why a call failed, from an exception or from what lies behind it.

    Args:
        wrong: What was caught.
        seconds: The time limit that the call had, in seconds.
    """
    chain: list[BaseException] = []
    behind: BaseException | None = wrong
    while behind is not None and len(chain) < _DEEPEST_CHAIN:
        chain.append(behind)
        behind = behind.__cause__ or behind.__context__
    # What lies deepest knows best; a certificate is named even where something went wrong while it was refused.
    chain.reverse()
    for one in sorted(chain, key=lambda one: not isinstance(one, ssl.SSLCertVerificationError)):
        said = _said(one, seconds)
        if said:
            return said
    return f"the call failed ({type(wrong).__name__})", "look at the other end's log"


def _said(wrong: BaseException, seconds: float) -> Trouble | None:
    match wrong:
        case ssl.SSLCertVerificationError():
            return (
                f"its certificate is not accepted: {wrong.verify_message}",
                "mend the certificate, or name its authority as ca-file",
            )
        case ssl.SSLError():
            return f"no TLS came about ({wrong.reason or 'cut off'})", "check that this port speaks TLS"
        case socket.gaierror():
            return "its name is not known here", "check the name, and the name server"
        case ConnectionRefusedError():
            return "nothing accepts connections there", "check that it runs, its address and its port"
        case TimeoutError():
            return f"it did not answer within {seconds:g} s", "check that it runs and can be reached"
        case ConnectionError() | asyncio.IncompleteReadError():
            return "it dropped the connection", "look at the other end's log"
        case OSError(strerror=str(words)):
            return f"it cannot be reached: {words.lower()}", "check the network and the address"
    return None
