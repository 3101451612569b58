package configs

// NotifySettings is one way in which people are told. Exactly one is set.
type NotifySettings struct {
	Webhook *struct {
		URL        string `yaml:"url"`
		SecretFile string `yaml:"secret_file"`
	} `yaml:"webhook"`
	Mail *struct {
		SMTP string   `yaml:"smtp"`
		To   []string `yaml:"to"`
	} `yaml:"mail"`
}
