"""Names that would do harm if they were more than text."""

HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</style><svg onload=alert(1)>",
    "javascript:alert(1)//",
    "&lt;b&gt;",
    "\N{RIGHT-TO-LEFT OVERRIDE}nibor",
    "a\x00b\nc",
    "w" * 300,
    "=1+1|cmd",
)
