package postgres

// Worded lists the constraints that have words for a person.
func Worded() map[string]bool {
	names := map[string]bool{}
	for name, e := range said {
		names[name] = e.Message != ""
	}
	return names
}

// LoadLibrary is loadLibrary for tests.
var LoadLibrary = loadLibrary

// RefreshWords is refreshWords for tests.
var RefreshWords = refreshWords
