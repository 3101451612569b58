package export

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// topics are the MQTT topics of a site: PREFIX/SITE/BRAKE/cycle and so on. A
// name's slashes are levels of the topic, its spaces become "-", and the
// wildcards + and # are refused, as are empty levels.
type topics struct {
	root   string            // PREFIX/SITE
	brakes map[string]string // by brake
}

// newTopics works the topics out. No two brakes may share one, and none may be
// mistaken for the gateway's own.
func newTopics(prefix, site string, brakes []string) (topics, error) {
	before, err := topicOf(prefix)
	if err != nil {
		return topics{}, fmt.Errorf("prefix: %w", err)
	}
	place, err := topicOf(site)
	if err != nil {
		return topics{}, fmt.Errorf("site: %w", err)
	}
	t := topics{root: before + "/" + place, brakes: map[string]string{}}
	var errs []error
	taken := map[string]string{}
	for _, name := range brakes {
		levels, err := topicOf(name)
		switch {
		case err != nil:
			errs = append(errs, fmt.Errorf("brake: %w", err))
		case levels == gatewayLevel:
			errs = append(errs, fmt.Errorf("brake: %q is the topic level of the gateway itself", name))
		case taken[levels] != "":
			errs = append(errs, fmt.Errorf("brake: %q and %q would share the topic %s/%s", taken[levels], name, t.root, levels))
		default:
			taken[levels] = name
			t.brakes[name] = t.root + "/" + levels
		}
	}
	return t, errors.Join(errs...)
}

const gatewayLevel = "gateway"

// of is a topic of a brake, or of the gateway where brake is empty. A brake
// that is stored but no longer in the site file has one too, if its name allows.
func (t topics) of(brake, kind string) (string, error) {
	if brake == "" {
		return t.gateway() + "/" + kind, nil
	}
	if levels, ok := t.brakes[brake]; ok {
		return levels + "/" + kind, nil
	}
	levels, err := topicOf(brake)
	if err != nil {
		return "", err
	}
	return t.root + "/" + levels + "/" + kind, nil
}

func (t topics) gateway() string { return t.root + "/" + gatewayLevel }

func topicOf(name string) (string, error) {
	switch {
	case name == "":
		return "", errors.New("an empty name makes no MQTT topic")
	case !utf8.ValidString(name) || hasControl(name):
		return "", fmt.Errorf("%q has characters that no MQTT topic may have", name)
	case strings.ContainsAny(name, "+#"):
		return "", fmt.Errorf("%q has + or #, which are wildcards in MQTT topics", name)
	case strings.HasPrefix(name, "$"):
		return "", fmt.Errorf("%q begins with $, which is the broker's own in MQTT topics", name)
	case strings.HasPrefix(name, "/") || strings.HasSuffix(name, "/") || strings.Contains(name, "//"):
		return "", fmt.Errorf("%q has an empty level between slashes, or one at an end", name)
	case len(name) > 1000:
		return "", fmt.Errorf("%q is too long for an MQTT topic", name[:40]+"…")
	}
	return strings.ReplaceAll(name, " ", "-"), nil
}
