package configs

import "strings"

// outside lets the exporters and notifiers judge their own settings.
func (v *validator) outside() {
	v.exporters()
	if v.sound("alarms") {
		v.told("alarms", v.site.Alarms.Validate())
	}
	if !v.sound("notify") {
		return
	}
	for i, n := range v.site.Notify {
		if path := itemPath("notify", i); v.sound(path) && !v.cracked[path] {
			v.told(path, n.Validate())
		}
	}
}

func (v *validator) exporters() {
	if !v.sound("site", "brakes", "export") {
		return
	}
	var names []string
	for i, b := range v.site.Brakes {
		if !v.sound(brakePath(i) + ".name") {
			return
		}
		names = append(names, b.Name)
	}
	v.told("export", v.site.Export.Validate(v.site.Name, names))
}

// told makes problems of what a room says of its own settings. Each error
// begins with the key that it is about, counted from the top of the file or
// from root: "export.influx.url: is missing", "webhook: it has no url". One
// that names no key is about root.
func (v *validator) told(root string, err error) {
	if err == nil {
		return
	}
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range joined.Unwrap() {
			v.told(root, e)
		}
		return
	}
	path, message := root, strings.ReplaceAll(err.Error(), "\n", "; ")
	if key, rest, ok := strings.Cut(message, ": "); ok {
		switch {
		case key == root || strings.HasPrefix(key, root+"."):
			path, message = key, rest
		case v.given(root + "." + key):
			path, message = root+"."+key, rest
		}
	}
	if !v.sound(path) {
		return // told by the reader
	}
	message, advice, _ := strings.Cut(message, "; ")
	v.wrong(path, message, advice)
}
