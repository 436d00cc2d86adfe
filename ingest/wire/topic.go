package wire

import "strings"

// TopicMatches reports whether a broker gives a topic to who subscribed to a
// filter: MQTT 3.1.1 and 5.0, section 4.7. A filter that ends in /# takes in the
// topic above it; one that begins with a wildcard, none that begins with $.
func TopicMatches(filter, topic string) bool {
	if strings.HasPrefix(topic, "$") && strings.IndexAny(filter, "+#") == 0 {
		return false
	}
	levels, want := strings.Split(topic, "/"), strings.Split(filter, "/")
	for i, w := range want {
		if w == "#" {
			return true
		}
		if i == len(levels) || w != "+" && w != levels[i] {
			return false
		}
	}
	return len(want) == len(levels)
}
