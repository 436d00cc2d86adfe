//go:build !race

package books

const raced = false
