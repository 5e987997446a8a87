package notify

import (
	"strings"
	"testing"
)

// A Message-ID ends with the sender's domain, whatever stands in the name before it.
func TestLetterIDHasTheDomain(t *testing.T) {
	for _, from := range []string{"watch@larkfield.example", "<watch@larkfield.example>", "Watch <watch@larkfield.example>",
		`"watch@night" <watch@larkfield.example>`, `"a@b c"@larkfield.example`} {
		c, err := NewMail(MailOptions{Server: "127.0.0.1:25", TLS: NoTLS, From: from, To: []string{"a@larkfield.example"}})
		if err != nil {
			t.Fatal(err)
		}
		if id := c.(*mailer).letterID("1"); len(id) != 32+len("@larkfield.example") || !strings.HasSuffix(id, "@larkfield.example") {
			t.Errorf("from %s: %s", from, id)
		}
	}
}
