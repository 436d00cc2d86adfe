module yardtally

go 1.26
