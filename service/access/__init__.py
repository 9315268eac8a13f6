"""Who may: staff, their passwords and sessions; tablets and their keys; signed links; what was done by whom.

Every secret that is handed out (a session's cookie, a password link, a tablet's key) is drawn by the operating system, shown
once and kept as a digest only. Yardstick: OWASP Application Security Verification Standard 5.0, level 2.
"""
