package source

import (
	"fmt"
	"strings"

	"yardtally/ingest/wire"
)

// DropRetained is the reason under which retained messages are counted: they
// are not news.
const DropRetained = "retained"

// Topic returns the topic on which a rig's readings come,
// "<prefix>/<rig>/readings". The error names the field, the rule and the value.
func Topic(prefix, rig string) (string, error) {
	if err := wire.CheckRig(rig); err != nil {
		return "", err
	}
	if err := CheckPrefix(prefix); err != nil {
		return "", err
	}
	return prefix + "/" + rig + "/readings", nil
}

// CheckPrefix reports what is wrong with the part of a topic before the rig.
func CheckPrefix(prefix string) error {
	switch {
	case prefix == "" || len(prefix) > 128:
		return fmt.Errorf("prefix: must have 1 to 128 characters, is %q", prefix)
	case strings.ContainsAny(prefix, "+#"):
		return fmt.Errorf("prefix: must hold no + and no #, is %q", prefix)
	case prefix[0] == '$' || prefix[0] == '/' || prefix[len(prefix)-1] == '/':
		return fmt.Errorf("prefix: must not begin with $ or / nor end with /, is %q", prefix)
	}
	for _, r := range prefix {
		if r <= ' ' || r == 0x7f || r == '\uFFFD' {
			return fmt.Errorf("prefix: must hold no blanks and no control characters, is %q", prefix)
		}
	}
	return nil
}
