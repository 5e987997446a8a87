module ovenward

go 1.26
