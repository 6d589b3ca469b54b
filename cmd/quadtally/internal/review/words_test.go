package review

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// controls are what a page lets one do: its forms, buttons, links and fields.
func controls(body string) []string {
	var out []string
	for _, m := range regexp.MustCompile(`<(form|button|input|select|a|details|h2) [^>]*>`).FindAllString(body, -1) {
		if !strings.Contains(m, `name="token"`) {
			out = append(out, m)
		}
	}
	return out
}

// TestWordsAreNotCompared: with every word that names a state or a class
// exchanged, the pages offer exactly the same. What is compared are codes.
func TestWordsAreNotCompared(t *testing.T) {
	look := func() map[string][]string {
		p := open(t, newFake(), Options{})
		out := map[string][]string{}
		for n := 1; n <= 6; n++ {
			for _, path := range []string{"/photo/" + hashFor(n), "/photo/" + hashFor(n) + "/count", "/photos?visit=all", "/visit/1/check"} {
				_, body := p.get(path)
				out[path] = controls(body)
			}
		}
		return out
	}
	want := look()
	for name, words := range map[string]any{"states": stateWords, "roles": roleWords} {
		n := 0
		other := func() string { n++; return fmt.Sprintf("xxxx%d", n) }
		switch words := words.(type) {
		case map[State]string:
			was := map[State]string{}
			for k, v := range words {
				was[k], words[k] = v, other()
			}
			t.Cleanup(func() {
				for k, v := range was {
					words[k] = v
				}
			})
		case map[Class]string:
			was := map[Class]string{}
			for k, v := range words {
				was[k], words[k] = v, other()
			}
			t.Cleanup(func() {
				for k, v := range was {
					words[k] = v
				}
			})
		}
		for path, got := range look() {
			if !slices.Equal(got, want[path]) {
				t.Errorf("with other words for %s, %s offers something else:\n%s\nwant\n%s", name, path, strings.Join(got, "\n"), strings.Join(want[path], "\n"))
			}
		}
	}
	// The script knows codes alone, and the pages compare no text with a blank
	// in it, which no code has.
	script, err := assets.ReadFile("assets/page.js")
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range []string{"green cover", "weed cover", "cover-crop regrowth", "not a plant", "waits for you", "in use", "set aside", "not read"} {
		for _, quote := range []string{`"`, "`", "'"} {
			if strings.Contains(string(script), quote+w+quote) {
				t.Errorf("page.js holds the word %q by itself", w)
			}
		}
	}
	list, err := assets.ReadDir("assets")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range list {
		text, _ := assets.ReadFile("assets/" + f.Name())
		if strings.HasSuffix(f.Name(), ".html") {
			for _, action := range regexp.MustCompile(`\{\{[^{}]*\}\}`).FindAllString(string(text), -1) {
				for _, m := range regexp.MustCompile(`(?:\b(?:eq|ne) [^"]*|\.Is )"([^"]*)"`).FindAllStringSubmatch(action, -1) {
					if strings.Contains(m[1], " ") {
						t.Errorf("%s compares the words %q", f.Name(), m[1])
					}
				}
			}
		}
	}
}

// TestPlantClasses: every class has a key of its own that does nothing else on
// the page, and a look of its own as long as there are looks.
func TestPlantClasses(t *testing.T) {
	kinds := []Class{KindOf(Weed, "broadleaf"), KindOf(Weed, "grass"), KindOf(Weed, "sedge"), KindOf(Crop, "leek"), KindOf(Weed, "Übergras"), KindOf(Weed, "42")}
	for i := range 30 {
		kinds = append(kinds, KindOf(Weed, fmt.Sprintf("kind %d", i)))
	}
	keys, looks := map[string]bool{}, map[string]int{}
	for i, c := range PlantClasses(kinds) {
		if c.Key == "" && i < 11 || keys[c.Key] && c.Key != "" || strings.Contains(pageKeys, c.Key) && c.Key != "" {
			t.Errorf("class %d %q has the key %q", i, c.Name, c.Key)
		}
		keys[c.Key] = true
		if looks[c.Look]++; i < 4+kindLooks && looks[c.Look] > 1 {
			t.Errorf("%q is drawn like another", c.Name)
		}
	}
	if c := PlantClasses(kinds)[5]; c.Key != "g" || c.Class != "weed:grass" || c.Name != "grass" {
		t.Errorf("%+v", c)
	}
	if role, kind := KindOf(Crop, "leek: early").Split(); role != Crop || kind != "leek: early" {
		t.Errorf("%s %s", role, kind)
	}
}
