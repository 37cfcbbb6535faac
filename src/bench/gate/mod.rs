//! Who may come in: addresses, pairing, cookies, and bounds on what a client may send.
