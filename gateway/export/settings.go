package export

import (
	"bytes"
	"errors"
	"fmt"
	"net/url"
	"os"
	"strings"
	"unicode"
)

// Settings is the part "export" of the site file. What is nil is not wanted.
type Settings struct {
	Prometheus *PrometheusSettings `yaml:"prometheus"`
	Influx     *InfluxSettings     `yaml:"influx"`
	MQTT       *MQTTSettings       `yaml:"mqtt"`
	Sparkplug  *SparkplugSettings  `yaml:"sparkplug"`
}

// PrometheusSettings has nothing to set: /metrics is on the page's address.
type PrometheusSettings struct{}

// InfluxSettings say where InfluxDB is. For version 1.8 the bucket is
// "database/retention-policy", the organisation is empty, and the token is
// "user:password".
type InfluxSettings struct {
	URL       string `yaml:"url"` // http://host:8086 or https://…
	Org       string `yaml:"org"`
	Bucket    string `yaml:"bucket"`
	TokenFile string `yaml:"token_file"` // empty: no token
}

// MQTTSettings say where the broker is.
type MQTTSettings struct {
	URL          string `yaml:"url"`    // mqtt://host:port or mqtts://host:port
	Prefix       string `yaml:"prefix"` // first levels of every topic; empty means "gapward"
	User         string `yaml:"user"`
	PasswordFile string `yaml:"password_file"`
	ClientID     string `yaml:"client_id"` // empty: one made up at each start
}

// SparkplugSettings say where the broker of a Sparkplug B group is.
type SparkplugSettings struct {
	URL          string `yaml:"url"`          // mqtt://host:port or mqtts://host:port
	Group        string `yaml:"group"`        // id of the group of edge nodes
	Node         string `yaml:"node"`         // id of this edge node in the group; empty: the site's name
	PrimaryHost  string `yaml:"primary_host"` // id of a host application without which rows are kept; empty: none
	User         string `yaml:"user"`
	PasswordFile string `yaml:"password_file"`
	ClientID     string `yaml:"client_id"` // empty: one made up at each start
}

// DefaultPrefix begins every MQTT topic when the site file doesn't say.
const DefaultPrefix = "gapward"

// TopicPrefix is Prefix or its default.
func (s MQTTSettings) TopicPrefix() string {
	if s.Prefix == "" {
		return DefaultPrefix
	}
	return s.Prefix
}

// Validate checks the settings, and the site's and the brakes' names as far as
// an exporter depends on them. It returns all that is wrong, each part naming
// the key of the site file.
func (s Settings) Validate(site string, brakes []string) error {
	var errs []error
	if s.Influx != nil {
		errs = append(errs, checkURL("export.influx.url", s.Influx.URL, "http", "https"))
		if s.Influx.Bucket == "" {
			errs = append(errs, errors.New("export.influx.bucket: is missing"))
		}
	}
	if s.MQTT != nil {
		errs = append(errs, checkURL("export.mqtt.url", s.MQTT.URL, "mqtt", "mqtts"))
		if s.MQTT.User == "" && s.MQTT.PasswordFile != "" {
			errs = append(errs, errors.New("export.mqtt.user: is missing where password_file is given"))
		}
		if _, err := newTopics(s.MQTT.TopicPrefix(), site, brakes); err != nil {
			errs = append(errs, fmt.Errorf("export.mqtt: %w", err))
		}
	}
	if s.Sparkplug != nil {
		errs = append(errs, checkURL("export.sparkplug.url", s.Sparkplug.URL, "mqtt", "mqtts"))
		if s.Sparkplug.User == "" && s.Sparkplug.PasswordFile != "" {
			errs = append(errs, errors.New("export.sparkplug.user: is missing where password_file is given"))
		}
		if s.MQTT != nil && s.Sparkplug.ClientID != "" && s.Sparkplug.ClientID == s.MQTT.ClientID {
			errs = append(errs, fmt.Errorf("export.sparkplug.client_id: %q is that of export.mqtt too; a broker throws out the one when the other comes", s.Sparkplug.ClientID))
		}
		_, err := newSparkplugNames(*s.Sparkplug, site, brakes)
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

func checkURL(key, text string, schemes ...string) error {
	want := schemes[0] + "://host:port or " + schemes[1] + "://host:port"
	if text == "" {
		return fmt.Errorf("%s: is missing; it looks like %s", key, want)
	}
	u, err := url.Parse(text)
	if err != nil || u.Host == "" || u.Scheme != schemes[0] && u.Scheme != schemes[1] {
		return fmt.Errorf("%s: %q is no address; it looks like %s", key, text, want)
	}
	if u.User != nil {
		return fmt.Errorf("%s: a name or password in the address would show in logs; give the file that holds it instead", key)
	}
	return nil
}

// readSecret reads a secret from its file, without the line end that editors
// leave there. An empty path is an empty secret.
func readSecret(key, path string) (string, error) {
	if path == "" {
		return "", nil
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("%s: %w", key, err)
	}
	secret := string(bytes.TrimRight(text, "\r\n"))
	if secret == "" {
		return "", fmt.Errorf("%s: %s is empty", key, path)
	}
	return secret, nil
}

// hasControl reports whether a name holds what no topic and no line protocol
// takes.
func hasControl(name string) bool { return strings.ContainsFunc(name, unicode.IsControl) }
