"""A foreign client: shakes hands with a server by Python's own ssl, and tells what came of it.

Reads one JSON object: {"port": ..., "authority": path or null, "name": ..., "oldest": "TLSv1_2", "newest": "TLSv1_3",
"alpn": [...], "send": text or null, "identity": path of a certificate with its key, or left out}. Prints {"version", "alpn", "names", "pin", "heard"} or {"error": ...}.
"""

import base64
import hashlib
import json
import socket
import ssl
import sys
import warnings

CROCKFORD = str.maketrans("ABCDEFGHIJKLMNOPQRSTUVWXYZ234567", "0123456789ABCDEFGHJKMNPQRSTVWXYZ")


def pieces(der):
    """The pieces of DER one after the other: (bytes with their head, bytes without it)."""
    found = []
    while der:
        length, head = der[1], 2
        if length & 0x80:
            head = 2 + (length & 0x7F)
            length = int.from_bytes(der[2:head], "big")
        found.append((der[: head + length], der[head : head + length]))
        der = der[head + length :]
    return found


def pin(path):
    """The pin of a certificate, by its definition and with no code of ours."""
    with open(path, encoding="ascii") as file:
        der = ssl.PEM_cert_to_DER_cert(file.read())
    certificate = pieces(der)[0][1]
    body = pieces(pieces(certificate)[0][1])
    # RFC 5280, 4.1: version, serial number, signature, issuer, validity, subject, key.
    digest = hashlib.sha256(body[6][0]).digest()
    text = base64.b32encode(digest[:10]).decode().translate(CROCKFORD)
    return "-".join(text[at : at + 4] for at in range(0, 16, 4))


def shaken(asked):
    context = ssl.create_default_context(cafile=asked["authority"])
    context.verify_flags |= ssl.VERIFY_X509_STRICT
    # Old versions need old digests, which the library refuses by itself otherwise.
    context.set_ciphers("ALL:@SECLEVEL=0")
    context.minimum_version = ssl.TLSVersion[asked["oldest"]]
    context.maximum_version = ssl.TLSVersion[asked["newest"]]
    if asked.get("identity"):
        context.load_cert_chain(asked["identity"])
    if asked["alpn"]:
        context.set_alpn_protocols(asked["alpn"])
    with socket.create_connection(("127.0.0.1", asked["port"]), timeout=30) as plain:
        with context.wrap_socket(plain, server_hostname=asked["name"]) as secure:
            heard = ""
            if asked["send"]:
                secure.sendall(asked["send"].encode())
                parts = []
                while part := secure.recv(65536):
                    parts.append(part)
                heard = b"".join(parts).decode("latin-1")
            names = [name for _, name in secure.getpeercert()["subjectAltName"]]
            return {
                "version": secure.version(),
                "alpn": secure.selected_alpn_protocol(),
                "names": names,
                "pin": pin(asked["authority"]),
                "heard": heard,
            }


def main():
    warnings.simplefilter("ignore")
    asked = json.load(sys.stdin)
    try:
        told = shaken(asked)
    except OSError as fault:
        told = {"error": str(fault)}
    print(json.dumps(told))


main()
